// Package drivers says what can be asked of any bench supply, and in which
// types the answers come. The kinds of supply live below it: the SCPI dialect in
// drivers/scpi, the wire in drivers/line, and a supply with a cell behind it for
// machines without hardware in drivers/simulated.
package drivers

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Volts is an electric potential difference in volts. It is a type of its own so
// that a voltage can never be passed where a current is meant.
type Volts float64

// Amperes is an electric current in amperes.
type Amperes float64

// Mode is what the supply says it is holding constant.
type Mode uint8

// The regulation modes. Unregulated means that the supply reports neither.
const (
	ModeUnknown Mode = iota
	ConstantVoltage
	ConstantCurrent
	Unregulated
)

var modeNames = [...]string{"unknown", "constant-voltage", "constant-current", "unregulated"}

// String returns the name used in the run log.
func (m Mode) String() string { return nameOf(modeNames[:], int(m)) }

// ParseMode is the inverse of Mode.String; an unfamiliar name is ModeUnknown.
func ParseMode(s string) Mode { return Mode(max(0, slices.Index(modeNames[:], s))) }

// Output is the state of a channel's output relay or stage.
type Output uint8

// The output states. OutputUnknown means that nobody asked or nobody answered.
const (
	OutputUnknown Output = iota
	OutputOff
	OutputOn
)

var outputNames = [...]string{"unknown", "off", "on"}

// String returns the name used in the run log.
func (o Output) String() string { return nameOf(outputNames[:], int(o)) }

// ParseOutput is the inverse of Output.String; an unfamiliar name is OutputUnknown.
func ParseOutput(s string) Output { return Output(max(0, slices.Index(outputNames[:], s))) }

func nameOf(names []string, i int) string {
	if i >= len(names) {
		return names[0]
	}
	return names[i]
}

// Reading is one poll of one channel.
type Reading struct {
	// At is the midpoint between sending the current query and receiving the
	// terminator of its reply, on the monotonic Clock of the driver.
	At time.Duration
	// Took is the time from the first byte sent to the last byte received, on the same clock.
	Took    time.Duration
	Volts   Volts
	Amperes Amperes
	// Mode and Output are the newest known; the driver asks for them less often
	// than for volts and amperes, and at once when those jump.
	Mode   Mode
	Output Output
	// Shown is what the supply itself showed, where Volts or Amperes are a second meter's.
	Shown Shown
	// Kelvin is the temperature of the bath, by a meter; 0: none told.
	Kelvin float64
}

// Shown is what a supply showed where another figure counts.
type Shown struct {
	AtCell, Metered bool // the volts were measured at the cell, the amperes by a meter
	Silent          bool // it did not answer: the figures are its last ones, or 0
	Volts           Volts
	Amperes         Amperes
}

// Own is the current that the supply itself reported; the meter's while it is silent.
func (r Reading) Own() Amperes {
	if r.Shown.Metered && !r.Shown.Silent {
		return r.Shown.Amperes
	}
	return r.Amperes
}

// Identity is the answer to *IDN? (IEEE 488.2, 10.14), one field each.
type Identity struct {
	Maker, Model, Serial, Firmware string
}

// String joins the fields as the supply sent them.
func (i Identity) String() string {
	return i.Maker + "," + i.Model + "," + i.Serial + "," + i.Firmware
}

// Expect refuses an instrument whose identity does not begin as the configuration has it; an empty one takes any.
func (i Identity) Expect(configured string) error {
	if strings.HasPrefix(i.String(), configured) {
		return nil
	}
	return fmt.Errorf("a different instrument answers: %q; the configuration expects identity = %q; connect the right one or correct identity there", i, configured)
}

// ParseIdentity reads the four fields of *IDN? (IEEE 488.2, 10.14), as Identity.String writes them. Fields that are
// missing are empty; commas beyond the third belong to the firmware field. What is not harmless to show is taken out.
func ParseIdentity(s string) Identity {
	f := append(strings.SplitN(Plain(s), ",", 4), "", "", "")
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	return Identity{Maker: f[0], Model: f[1], Serial: f[2], Firmware: f[3]}
}

// Status is everything else that can be learned without changing anything. A
// level that the dialect cannot ask for is NaN.
type Status struct {
	At           time.Duration
	Output       Output
	Mode         Mode
	SetVolts     Volts
	SetAmperes   Amperes
	LimitVolts   Volts   // over-voltage protection level
	LimitAmperes Amperes // over-current protection level
	// Tripped names each protection that has acted: "over-voltage", "over-current", "over-temperature".
	Tripped []string
	// Errors holds what was in the supply's error queue, oldest first, each as number,"text".
	Errors []string
}

// Supply is one channel of one instrument, in the hands of exactly one goroutine.
type Supply interface {
	// Poll takes one reading. The error is a *Refusal when an answer came that must
	// not be counted and the line still lives, and wraps ErrGone when the port has to be opened anew.
	Poll(ctx context.Context) (Reading, error)
	// Identify asks who is there.
	Identify(ctx context.Context) (Identity, error)
	// Status asks for output state, set-points, protection and errors.
	Status(ctx context.Context) (Status, error)
	// Close gives the port back within a bounded time, whatever the kernel does.
	Close() error
}

// Switcher is the optional ability to act. Neither method verifies: the caller
// reads Status and a Reading back, because a command that was sent proves nothing.
type Switcher interface {
	// SwitchOff commands the output off.
	SwitchOff(ctx context.Context) error
	// SetCurrent commands a current set-point; the caller has checked that it is not above the present one.
	SetCurrent(ctx context.Context, a Amperes) error
}

// Reason says why an answer was refused; it is a metric label, so the set is closed.
type Reason string

// The reasons for refusal.
const (
	NoReply       Reason = "no-reply"       // nothing, or no terminator, within the time-out
	NotANumber    Reason = "not-a-number"   // SCPI 9.91E37
	Overflow      Reason = "overflow"       // SCPI 9.9E37 or -9.9E37
	NotNumeric    Reason = "not-numeric"    // text, half a number, two numbers
	Echo          Reason = "echo"           // our own query came back
	Blank         Reason = "blank"          // an empty line
	Unasked       Reason = "unasked"        // bytes that no open query explains, such as a late reply
	BeyondCurrent Reason = "beyond-current" // more current than the set-point allows by over 10 %
	BeyondVoltage Reason = "beyond-voltage" // more volts than the supply's range
	Misidentified Reason = "misidentified"  // another instrument answers
)

// Reasons lists every Reason, in the order shown to people.
func Reasons() []Reason {
	return []Reason{NoReply, NotANumber, Overflow, NotNumeric, Echo, Blank, Unasked, BeyondCurrent, BeyondVoltage, Misidentified}
}

// Refusal is the error for an exchange whose answer must not be counted.
type Refusal struct {
	Reason Reason
	Query  string  // what was asked
	Answer string  // what came, shortened, printable
	Shared *Shared // not nil: another process may have had the answer
}

func (r *Refusal) Error() string {
	text := fmt.Sprintf("%s: answer %q refused: %s", r.Query, r.Answer, r.Reason)
	if r.Shared != nil {
		text += "; " + r.Shared.Error()
	}
	return text
}

// Unwrap returns Shared as an error, or nil.
func (r *Refusal) Unwrap() error {
	if r.Shared == nil {
		return nil // and not a nil pointer in an interface
	}
	return r.Shared
}

// Shared says that another process has the supply's port open, or had it a moment ago:
// it may have taken the answers. It is wrapped by errors that are about the line or an answer.
type Shared struct {
	By string // names and numbers of processes, as far as the system tells
}

func (s *Shared) Error() string { return "the port is also open in " + s.By }

// ErrGone is wrapped by every error after which the port must be opened anew.
var ErrGone = fmt.Errorf("the line to the supply is gone")
