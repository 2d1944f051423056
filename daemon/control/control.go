// Package control is the local way to a running daemon: HTTP and JSON over a
// unix socket that only its owner may use. The daemon makes an Operator, the
// Server offers it, and Dial makes one of the other end of the socket.
package control

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
)

// Operator is what a person may ask of a daemon: what the daemon does by itself, a client over the socket. Errors made by
// Unknown, Refuse and BadRequest keep their meaning across it.
type Operator struct {
	// Status returns every cell, in the order of the configuration.
	Status func(context.Context) ([]Cell, error)
	// Alarms lists the alarms that are not in the normal state, most urgent first; an empty name means all cells.
	Alarms func(ctx context.Context, cell string) ([]Alarm, error)
	// ChangeAlarm does to an alarm what the order says.
	ChangeAlarm func(context.Context, AlarmOrder) error
	// Enter writes into the run of a cell what a person saw or did. What contradicts the books is
	// refused with an error of Contradiction, unless the entry says that it is certain.
	Enter func(context.Context, Entry) (Entered, error)
	// Begin checks whether a cell may run unattended. The checks are returned even
	// when the error says that it may not.
	Begin func(context.Context, BeginOrder) ([]Check, error)
	// Off switches a cell's output off, Hold lowers its current; the text says what was verified.
	Off, Hold func(context.Context, CellOrder) (Outcome, error)
	// Drill sends a test notification over every route and waits for proof of delivery.
	Drill func(context.Context, CellOrder) ([]routes.Receipt, error)
	// Step lowers a cell's current by a small share, once, and so tells ohmic resistance from other causes of a rise.
	Step func(context.Context, StepOrder) (StepResult, error)
}

// Cell is the state of one cell, short enough for one line.
type Cell struct {
	Name              string         `json:"name"`
	Supply            string         `json:"supply"`
	Run               string         `json:"run,omitempty"`
	State             string         `json:"state"` // running, waiting, ended, silent
	Began             time.Time      `json:"began,omitzero"`
	Mode              string         `json:"mode,omitempty"`
	Output            string         `json:"output,omitempty"`
	Volts             quantity.Maybe `json:"volts"`
	Amperes           quantity.Maybe `json:"amperes"`
	ReadingAgeSeconds quantity.Maybe `json:"reading_age_seconds"`
	ChargeCoulombs    quantity.Maybe `json:"charge_coulombs"`
	ChargeUncertainty quantity.Maybe `json:"charge_standard_uncertainty_coulombs"`
	MeterCoulombs     quantity.Maybe `json:"charge_by_meter_coulombs,omitzero"`                  // of it by the second meter
	ByMeter           bool           `json:"by_meter,omitzero"`                                  // volts and amperes are its, the supply is silent
	LeadOhms          quantity.Maybe `json:"lead_resistance_ohms,omitzero"`                      // measured
	LeadUncertainty   quantity.Maybe `json:"lead_resistance_standard_uncertainty_ohms,omitzero"` // of it
	TargetCoulombs    quantity.Maybe `json:"target_coulombs"`
	DepositGrams      quantity.Maybe `json:"deposit_grams"`
	// Left is what the ledger of the bath said was left when the run began; empty: the bath is as the configuration states it.
	Left string `json:"left,omitempty"`
	// Unconfirmed is the kind of an entry that contradicted the books and waits to be confirmed.
	Unconfirmed   string         `json:"unconfirmed,omitempty"`
	TargetWith    quantity.Maybe `json:"target_with_coulombs,omitzero"`    // that the target would be with it
	TargetWithout quantity.Maybe `json:"target_without_coulombs,omitzero"` // and without; the earlier acts
	Alarms        int            `json:"alarms"`                           // that are neither set aside nor not judged now
	Unanswered    int            `json:"unacknowledged"`
}

// Alarm is one alarm that is not in the normal state.
type Alarm struct {
	Cell string `json:"cell"`
	alerts.Alarm
}

// AlarmAct is what a person does to an alarm.
type AlarmAct string

// The acts on an alarm.
const (
	Acknowledge     AlarmAct = "acknowledge"
	Shelve          AlarmAct = "shelve" // set it aside for a time, with a reason
	Unshelve        AlarmAct = "unshelve"
	Reset           AlarmAct = "reset"          // release one that latches, once it is over and acknowledged
	OutOfService    AlarmAct = "out-of-service" // until it is returned, with a reason
	ReturnToService AlarmAct = "return-to-service"
)

// AlarmOrder names an alarm, who acts on it and how.
type AlarmOrder struct {
	Act       AlarmAct `json:"act"`
	Cell      string   `json:"cell"`
	Condition string   `json:"condition"`
	By        string   `json:"by"`
	Reason    string   `json:"reason,omitempty"`
	Seconds   float64  `json:"length_seconds,omitempty"` // for which it is set aside
}

// Entry is what a person writes into a run.
type Entry struct {
	Cell string `json:"cell"`
	Kind string `json:"kind"` // one of EntryKinds
	By   string `json:"by"`
	Text string `json:"text,omitempty"`
	// At is when it was so; zero: now.
	At time.Time `json:"at,omitzero"`
	// Numbers are in SI units, the unit last in the name; Words are the rest.
	Numbers map[string]float64 `json:"numbers,omitempty"`
	Words   map[string]string  `json:"words,omitempty"`
	// Certain says that it is so although it contradicts the books.
	Certain bool `json:"certain,omitempty"`
	// Trial has it judged and nothing written: what comes back is what the entry would do.
	Trial bool `json:"trial,omitempty"`
}

// Entered says what came of an entry.
type Entered struct {
	Name  string   `json:"name,omitempty"`  // by which it can be taken back
	Notes []string `json:"notes,omitempty"` // what the person who wrote it should know, in sentences
}

// BeginOrder asks for an unattended run.
type BeginOrder struct {
	Cell      string   `json:"cell"`
	By        string   `json:"by"`
	Confirmed []string `json:"confirmed"` // of ToConfirm
}

// ToConfirm are the things that only a person at the cell can see.
func ToConfirm() []string { return []string{"leads", "level", "ventilation", "containment"} }

// Check is one thing that was looked at before an unattended run.
type Check struct {
	Name string `json:"name"`
	OK   bool   `json:"ok"`
	Text string `json:"text,omitempty"`
}

// CellOrder names a cell and who acts on it.
type CellOrder struct {
	Cell string `json:"cell"`
	By   string `json:"by"`
}

// StepOrder asks for a current step downwards.
type StepOrder struct {
	CellOrder
	Share float64 `json:"share"` // of the present set-point by which it is lowered, such as 0.05
}

// StepResult is what a current step showed.
type StepResult struct {
	BeforeVolts   float64 `json:"before_volts"`
	BeforeAmperes float64 `json:"before_amperes"`
	AfterVolts    float64 `json:"after_volts"`
	AfterAmperes  float64 `json:"after_amperes"`
	Ohms          float64 `json:"resistance_ohms"` // volts over amperes of the step
	OhmsDoubt     float64 `json:"resistance_standard_uncertainty_ohms"`
	Text          string  `json:"text"`
}

// Outcome says what an act on an output came to.
type Outcome struct {
	Verified bool   `json:"verified"`
	Text     string `json:"text"`
}

// Problem is an error that keeps its meaning across the socket.
type Problem struct {
	Status int    `json:"status"` // as in HTTP
	Text   string `json:"text"`
	cause  error  // on this side of the socket alone
}

func (p *Problem) Error() string { return p.Text }

// Unwrap returns what was wrapped by %w; nil on the far side of the socket.
func (p *Problem) Unwrap() error { return errors.Unwrap(p.cause) }

// Unknown is the error for a cell, condition or gap that does not exist. Like Refuse and
// BadRequest it takes what fmt.Errorf takes, and calls it itself, so that go vet checks the format.
func Unknown(format string, args ...any) error {
	return problem(http.StatusNotFound, fmt.Errorf(format, args...))
}

// Refuse is the error for an order that is understood and not carried out, such as
// an output that may not be switched.
func Refuse(format string, args ...any) error {
	return problem(http.StatusConflict, fmt.Errorf(format, args...))
}

// BadRequest is the error for an order that cannot be understood.
func BadRequest(format string, args ...any) error {
	return problem(http.StatusBadRequest, fmt.Errorf(format, args...))
}

func problem(status int, cause error) error { return &Problem{status, cause.Error(), cause} }

// Contradiction is the error for an entry that contradicts the books. It is taken when it says that it is certain.
func Contradiction(format string, args ...any) error {
	return problem(http.StatusUnprocessableEntity, fmt.Errorf(format, args...))
}

// IsContradiction reports whether err says that an entry contradicts the books.
func IsContradiction(err error) bool { return StatusOf(err) == http.StatusUnprocessableEntity }

// IsMistake reports whether err says that the order itself was wrong, rather than refused or failed.
func IsMistake(err error) bool {
	status := StatusOf(err)
	return status == http.StatusNotFound || status == http.StatusBadRequest
}

// StatusOf is the HTTP status for an error.
func StatusOf(err error) int {
	if p, ok := errors.AsType[*Problem](err); ok {
		return p.Status
	}
	return http.StatusInternalServerError
}
