package daemon

import (
	"log/slog"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/metrics"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// Permission is what the operator has allowed nightcell to do, in writing, in the
// configuration. The zero value allows nothing but watching.
type Permission struct {
	Off  bool
	Hold bool
	Step bool // a small step of the current downwards, when asked for
}

// String lists what is allowed.
func (p Permission) String() string {
	var words []string
	for _, w := range []struct {
		allowed bool
		word    string
	}{{p.Off, "off"}, {p.Hold, "hold"}, {p.Step, "step"}} {
		if w.allowed {
			words = append(words, w.word)
		}
	}
	if len(words) == 0 {
		return "nothing"
	}
	return strings.Join(words, ", ")
}

// Choice is what is to happen to a live output at some moment.
type Choice string

// The choices: at the target, on a named condition, and when nightcell is stopped.
const (
	Tell  Choice = "tell"  // say so, touch nothing
	Leave Choice = "leave" // the same, at the end of the watch
	Off   Choice = "off"
	Hold  Choice = "hold"
)

// Settings is all that the watch over one cell needs; quantities are SI.
type Settings struct {
	Cell, Supply string
	Open         Opener
	Identity     string        // *IDN? must begin with this; empty: whoever answers first
	Patience     time.Duration // machine time that opening and the first questions may take; at least 5 s
	Poll         time.Duration
	Sync         time.Duration // longest time a written reading may stay unsynced
	FS           runlog.FS     // nil: the machine's; tests put failing disks here
	Count        integrate.Settings
	Plan         *bath.Plan // nil when the configuration states no bath
	Limits       alerts.Limits
	Chemistry    alerts.Chemistry
	May          Permission
	AtTarget     Choice
	OnStop       Choice
	HoldAmperes  drivers.Amperes
	MostVolts    drivers.Volts   // that the supply can put out; NaN when not stated
	MostAmperes  drivers.Amperes // likewise
	Reactions    []alerts.Reaction
	// AirStated is the ventilation of the room, m3/s, and AirNeededPerAmpere what the
	// gas of one ampere asks for, m3/s per A; NaN when not stated.
	AirStated, AirNeededPerAmpere float64
	Gas                           string // that the air is for
	AnodeGas                      string
	AnodeLitresPerAmpereHour      float64
	AcidGramsPerCoulomb           float64

	DataDir string
	Frozen  []byte // the configuration of this cell as it goes into run.toml
	Observe metrics.Observer
	Log     *slog.Logger
	// Wake is called after a notice or a reading was logged, so that those who read
	// the log need not wait; it must not block.
	Wake func()
	// Tell hands a notice to the routes that the log does not take for now; nil: nobody is
	// told. It must not block.
	Tell func(routes.Notice)
	// Outside tells how pushes and routes are getting on; it must not block.
	Outside func() alerts.Outside
	// Reason is why a choice departs from the safe state of the metal; it goes into the log.
	Reason string
}
