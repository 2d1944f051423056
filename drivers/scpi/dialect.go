package scpi

import (
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/BurntSushi/toml"

	"nightcell/drivers"
	"nightcell/drivers/modbus"
)

// What Dialect.Protocol may be besides nothing.
const (
	ModbusRTU = "modbus-rtu"
	ModbusTCP = "modbus-tcp"
)

// Ways to say which channel is meant.
const (
	AddressNone   = ""       // the instrument has one channel, or its commands need no address
	AddressList   = "list"   // a channel list after each command: MEAS:VOLT? (@2)
	AddressSelect = "select" // one channel is selected, and asked back before each reading
)

// NoTerminator as Dialect.Terminator means that a message ends with its last character.
const NoTerminator = "none"

// channelMark stands for the channel's number in any query or command of a Dialect.
const channelMark = "{n}"

// amperesMark stands for the number of amperes in Dialect.SetCurrent.
const amperesMark = "{amperes}"

// Dialect is how one make of supply speaks. It is data alone: every field can be
// overridden in the configuration under the name in its tag, and an empty query or
// command means that the supply has none. Where "{n}" occurs, the channel's number takes its place.
//
// The queries and commands that Standard fills in are those of SCPI-1999 volume 2;
// see Standard for what that standard leaves open.
type Dialect struct {
	// Protocol is "" for text, "modbus-rtu" or "modbus-tcp". With the latter two every query and command below names registers (package modbus), and none has a
	// default. Unit is then the supply's address on the line.
	Protocol string `toml:"protocol"`
	Unit     int    `toml:"unit"`

	Identify string `toml:"identify"` // maker,model,serial,firmware
	// Resync is asked after any oddity. Its answer must never change; empty: Identify.
	Resync string `toml:"resync"`

	MeasureVolts   string `toml:"measure_volts"`
	MeasureAmperes string `toml:"measure_amperes"`
	// MeasureBoth asks for both in one message, answered in one line. Besides being
	// quicker it cannot mistake one for the other. Empty: ask for each alone.
	MeasureBoth      string `toml:"measure_both"`
	BothSeparator    string `toml:"both_separator"`     // between the two numbers of that line
	BothAmperesFirst bool   `toml:"both_amperes_first"` // amperes come before volts in it
	VoltsUnit        string `toml:"volts_unit"`         // text after every number of volts, usually none
	AmperesUnit      string `toml:"amperes_unit"`       // text after every number of amperes, usually none
	// Milliamperes says that every current, measured, set or sent, is in mA; Millivolts likewise.
	Milliamperes bool `toml:"milliamperes"`
	Millivolts   bool `toml:"millivolts"`
	// Headers says that a header stands before every value, as in "VOLT 12.0": the last words of its query, in short or
	// long form. Any other is refused as the answer to something else. Set-points and protection levels may
	// come with or without the units above.
	Headers bool `toml:"headers"`

	Output string `toml:"output"` // 0, 1, OFF or ON
	// OutputOn, when it is not 0, says that Output asks for a register: any set bit of this mask tells that the output is on.
	OutputOn     uint16 `toml:"output_on"`
	SetVolts     string `toml:"set_volts"`          // voltage set-point
	SetAmperes   string `toml:"set_amperes"`        // current set-point
	LimitVolts   string `toml:"protection_volts"`   // over-voltage protection level
	LimitAmperes string `toml:"protection_amperes"` // over-current protection level
	TripVolts    string `toml:"trip_volts"`         // 1 after over-voltage protection has acted
	TripAmperes  string `toml:"trip_amperes"`       // 1 after over-current protection has acted

	// Mode asks for a register; any set bit of a mask tells the mode, and bits of both held modes that neither is held. A supply that answers with
	// a word instead is told by the words, in any case; any other word leaves the mode unknown.
	Mode                    string `toml:"mode"`
	ModeConstantVoltage     uint16 `toml:"mode_constant_voltage"`
	ModeConstantCurrent     uint16 `toml:"mode_constant_current"`
	ModeUnregulated         uint16 `toml:"mode_unregulated"`
	ModeConstantVoltageWord string `toml:"mode_constant_voltage_word"`
	ModeConstantCurrentWord string `toml:"mode_constant_current_word"`
	ModeUnregulatedWord     string `toml:"mode_unregulated_word"`
	// ModeOtherwise is the mode when no bit of the masks is set: "constant-voltage",
	// "constant-current", "unregulated", or "" for unknown.
	ModeOtherwise string `toml:"mode_otherwise"`
	// RegisterByte says that the answer for a register is one raw byte. Otherwise it is a number, decimal or
	// hexadecimal (#H14, 0x14).
	RegisterByte bool `toml:"register_byte"`

	// Trips asks for a register; any set bit of a mask tells a protection that has acted.
	Trips           string `toml:"trips"`
	TripsVolts      uint16 `toml:"trips_over_voltage"`
	TripsAmperes    uint16 `toml:"trips_over_current"`
	TripTemperature uint16 `toml:"trips_over_temperature"`

	Errors string `toml:"errors"` // oldest entry of the error queue, 0,"No error" when empty, with or without the quotes

	Off string `toml:"off"` // switches the output off
	// SetCurrent has the number of amperes where "{amperes}" stands in it, and else after a space.
	SetCurrent      string `toml:"set_current"`
	CurrentDecimals int    `toml:"current_decimals"` // digits after the point of that number; cut, never rounded up
	Remote          string `toml:"remote"`           // sent after opening, for supplies that else ignore the line
	Local           string `toml:"local"`            // sent before closing, to give the front panel back

	Addressing     string `toml:"addressing"`      // "", "list" or "select"
	ChannelList    string `toml:"channel_list"`    // appended to what concerns a channel, when addressing is "list"
	Select         string `toml:"select"`          // selects a channel, when addressing is "select"
	Selected       string `toml:"selected"`        // asks which channel is selected
	SelectedAnswer string `toml:"selected_answer"` // how it answers, such as CH{n}, in any case

	Terminator      string `toml:"terminator"`       // ends what is sent; empty: line feed; "none": nothing
	ReplyTerminator string `toml:"reply_terminator"` // ends an answer; empty: line feed, with or without carriage return
	// ReplySilence, when it is not 0, ends an answer in place of a terminator, for supplies that send none. An
	// answer that lost its end is then not told from a whole one, and two that run together show only by a second sign, point or
	// unit, not if the second is bare digits; so it is for those alone.
	ReplySilence Wait `toml:"reply_silence"`
	Echo         bool `toml:"echo"` // the line returns everything that is sent

	Pause     Wait `toml:"pause"`      // between an answer and the next query, and after each command
	OpenPause Wait `toml:"open_pause"` // after opening, for supplies that restart when the port is opened
	Timeout   Wait `toml:"timeout"`    // longest wait for an answer, its characters' time on the wire not counted
	Quiet     Wait `toml:"quiet"`      // silence that ends a drain
}

//go:embed standard.toml
var standardTOML string

var standard = sync.OnceValue(func() (d Dialect) {
	if err := toml.Unmarshal([]byte(standardTOML), &d); err != nil {
		panic("scpi: embedded standard.toml: " + err.Error()) // a test reads it, so this cannot ship
	}
	return d
})

// Standard returns the dialect of SCPI-1999, as standard.toml has it.
func Standard() Dialect { return standard() }

// Modbus returns the dialect that a register map is laid over.
func Modbus() Dialect {
	s := Standard()
	return Dialect{Protocol: ModbusRTU, Unit: 1, BothSeparator: s.BothSeparator, CurrentDecimals: 9, Timeout: s.Timeout, Quiet: s.Quiet, SelectedAnswer: channelMark}
}

// checkRegisters reports every message that names no register, and what Modbus does not have.
func (d Dialect) checkRegisters(bad func(key, format string, args ...any)) {
	switch {
	case d.Protocol == "":
		return
	case d.Protocol != ModbusRTU && d.Protocol != ModbusTCP:
		bad("protocol", "%q is not known; leave it out for SCPI, or use %q or %q", d.Protocol, ModbusRTU, ModbusTCP)
		return
	}
	if d.Unit < 0 || d.Unit > 255 || d.Protocol == ModbusRTU && (d.Unit < 1 || d.Unit > 247) {
		bad("unit", "%d is out of range; use the address that the supply's menu shows, 1 to 247", d.Unit)
	}
	if d.Echo || d.Terminator+d.ReplyTerminator != "" || d.ReplySilence > 0 || d.Addressing != AddressNone || d.Headers || d.RegisterByte {
		bad("protocol", "%q has no echo, line ends, reply_silence, addressing, headers or register_byte; leave these out", d.Protocol)
	}
	commands := map[string]bool{"off": true, "set_current": true, "remote": true, "local": true}
	for _, f := range d.texts() {
		if f.text == "" || f.key == "channel_list" || f.key == "select" || f.key == "selected" {
			continue
		}
		switch m, err := modbus.Parse(strings.NewReplacer(channelMark, "1", amperesMark, "0").Replace(f.text)); {
		case err != nil:
			bad(f.key, "%v", err)
		case m.Writes() && !commands[f.key]:
			bad(f.key, "%q writes, and only a query may stand here; write it as in \"holding 16\"", f.text)
		case !m.Writes() && commands[f.key]:
			bad(f.key, "%q says nothing to write; write it as in \"holding 18 = 0\"", f.text)
		case f.key == "set_current" && !strings.Contains(f.text, amperesMark):
			bad(f.key, "%q does not say where the current goes; write it as in \"holding 17 uint16 0.001 = {amperes}\"", f.text)
		}
	}
}

// Check reports every mistake in the dialect, each with the key it is about.
func (d Dialect) Check() error {
	var errs []error
	bad := func(key, format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, args...)))
	}
	d.checkRegisters(bad)
	if d.Identify == "" && d.Resync == "" {
		bad("identify", "is empty, so no answer is known to find the place after a fault; give identify, or resync with a query whose answer never changes")
	}
	if d.MeasureBoth == "" && (d.MeasureVolts == "" || d.MeasureAmperes == "") {
		bad("measure_volts", "or its fellow measure_amperes is empty, and so is measure_both, so no reading could be taken; give both, or measure_both")
	}
	if d.MeasureBoth != "" && d.BothSeparator == "" {
		bad("both_separator", "is empty, so the two numbers cannot be separated; use \";\"")
	}
	switch d.Addressing {
	case AddressNone:
	case AddressList:
		if !strings.Contains(d.ChannelList, channelMark) {
			bad("channel_list", "%q names no channel; write {n} where its number belongs, such as (@{n})", d.ChannelList)
		}
	case AddressSelect:
		if !strings.Contains(d.Select, channelMark) {
			bad("select", "%q names no channel; write {n} where its number belongs, such as INST:NSEL {n}", d.Select)
		}
		if d.Selected == "" {
			bad("selected", "is empty, so a selection could not be verified; give the query, such as INST:NSEL?")
		}
		if strings.Count(d.SelectedAnswer, channelMark) != 1 {
			bad("selected_answer", "%q does not name the channel; write {n} once in place of its number, such as CH{n}", d.SelectedAnswer)
		}
	default:
		bad("addressing", "%q is not known; use \"\", \"list\" or \"select\"", d.Addressing)
	}
	if d.CurrentDecimals < 0 || d.CurrentDecimals > 9 {
		bad("current_decimals", "%d is out of range; use 0 to 9", d.CurrentDecimals)
	}
	if d.ModeConstantVoltage&d.ModeConstantCurrent != 0 {
		bad("mode_constant_voltage", "and mode_constant_current share bits, so the mode is ambiguous; give each its own bits")
	}
	words := []string{d.ModeConstantVoltageWord, d.ModeConstantCurrentWord, d.ModeUnregulatedWord}
	for i, word := range words {
		if same := func(w string) bool { return word != "" && strings.EqualFold(w, word) }; slices.ContainsFunc(words[:i], same) {
			bad("mode_constant_voltage_word", "and its fellows use %q for two modes; give each a word of its own, or \"\"", word)
		}
	}
	if d.ModeOtherwise != "" && drivers.ParseMode(d.ModeOtherwise) == drivers.ModeUnknown {
		bad("mode_otherwise", "%q is not a mode; use \"\", \"constant-voltage\", \"constant-current\" or \"unregulated\"", d.ModeOtherwise)
	}
	if d.ReplySilence > 0 && d.ReplyTerminator != "" {
		bad("reply_silence", "and reply_terminator both end an answer; keep reply_terminator if the supply sends one")
	}
	for _, w := range []struct {
		key string
		v   Wait
		min time.Duration
	}{{"pause", d.Pause, 0}, {"reply_silence", d.ReplySilence, 0}, {"open_pause", d.OpenPause, 0}, {"timeout", d.Timeout, time.Millisecond}, {"quiet", d.Quiet, time.Millisecond}} {
		if time.Duration(w.v) < w.min || time.Duration(w.v) > time.Minute {
			bad(w.key, "%v is out of range; use %v to 1 min", w.v, w.min)
		}
	}
	if d.Terminator != NoTerminator && strings.ContainsFunc(d.Terminator, unicode.IsLetter) { // no command passes a door as the end of another message
		bad("terminator", "%q holds letters, which every message would end in; use line ends such as \"\\r\\n\", or \"none\"", d.Terminator)
	}
	for _, f := range d.texts() {
		if strings.ContainsAny(f.text, "\r\n") {
			bad(f.key, "must not contain a line end; terminator adds it")
		}
	}
	return errors.Join(errs...)
}

type text struct{ key, text string }

// texts lists what is sent to a supply.
func (d Dialect) texts() []text {
	return []text{
		{"identify", d.Identify}, {"resync", d.Resync},
		{"measure_volts", d.MeasureVolts}, {"measure_amperes", d.MeasureAmperes}, {"measure_both", d.MeasureBoth},
		{"output", d.Output}, {"set_volts", d.SetVolts}, {"set_amperes", d.SetAmperes},
		{"protection_volts", d.LimitVolts}, {"protection_amperes", d.LimitAmperes},
		{"trip_volts", d.TripVolts}, {"trip_amperes", d.TripAmperes},
		{"mode", d.Mode}, {"trips", d.Trips}, {"errors", d.Errors},
		{"off", d.Off}, {"set_current", d.SetCurrent}, {"remote", d.Remote}, {"local", d.Local},
		{"channel_list", d.ChannelList}, {"select", d.Select}, {"selected", d.Selected},
	}
}

// Wait is a length of time in a dialect, written "20 ms" or "1.5 s".
type Wait time.Duration

// UnmarshalText reads a number and a unit, with or without a space between.
func (w *Wait) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(strings.ReplaceAll(strings.TrimSuffix(string(b), "in"), " ", "")) // "1 min" is "1m" to Go
	if err != nil {
		return fmt.Errorf("%q is not a length of time; write a number and ms, s or min, such as \"20 ms\"", b)
	}
	*w = Wait(d)
	return nil
}

// MarshalText writes the form that UnmarshalText reads.
func (w Wait) MarshalText() ([]byte, error) { return []byte(time.Duration(w).String()), nil }

func (w Wait) String() string { return time.Duration(w).String() }
