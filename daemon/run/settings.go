package run

import (
	"log/slog"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// Settings is what a run needs to know of its cell; quantities are SI.
type Settings struct {
	Cell, Supply string
	Poll         time.Duration
	Speed        float64       // of the clocks against the machine's; 1 but for demonstrations
	Sync         time.Duration // longest time a written reading may stay unsynced
	Checkpoints  time.Duration // between two of them; 0: CheckpointEvery
	FS           runlog.FS     // nil: the machine's; tests put failing disks here
	Count        integrate.Settings
	Plan         *bath.Plan // nil when the configuration states no bath
	BathAtBegin  bath.State // of the plan's model, before any charge
	Left         string     // what the ledger of the bath says is left to begin with; empty: the bath is as stated
	Limits       alerts.Limits
	Chemistry    alerts.Chemistry
	May          alerts.Permission
	AtTarget     alerts.Act
	HoldAmperes  drivers.Amperes
	MostAmperes  drivers.Amperes // that the supply can put out; NaN when not stated
	Reactions    []alerts.Reaction
	// AirStated is the ventilation of the room, m3/s, and AirNeededPerAmpere what the
	// gas of one ampere asks for, m3/s per A; NaN when not stated.
	AirStated, AirNeededPerAmpere float64
	Gas                           string // that the air is for
	AnodeGas                      string
	AnodeLitresPerAmpereHour      float64
	AcidGramsPerCoulomb           float64
	WaterGramsPerCoulomb          float64
	AcidName                      string

	DataDir string
	Frozen  []byte                   // the configuration of this cell as it goes into run.toml
	Free    func(dir string) float64 // bytes left for the log, NaN unknown; nil: the system is asked
	// Reason is why a choice departs from the safe state of the metal; it goes into the log.
	Reason string
	Log    *slog.Logger
	// Wake is called after a notice was logged, so that those who read the log need not wait; nil: nobody does. It must not block.
	Wake func()
	// Tell hands a notice to the routes that the log does not take for now; nil: nobody is
	// told. It must not block.
	Tell func(routes.Notice)
	// Outside tells how pushes and routes are getting on; nil: there are none. It must not block.
	Outside func() alerts.Outside
}

// Live says whether a reading is of an output that pushes current, where the supply reports atRest, in A,
// while none flows.
func (s *Settings) Live(r drivers.Reading, atRest float64) bool {
	return r.Output != drivers.OutputOff && !s.Dead(r.Amperes, atRest)
}

// Dead says whether a reported current is no more than what the supply reports at rest, atRest in A.
func (s *Settings) Dead(a drivers.Amperes, atRest float64) bool {
	return math.Abs(float64(a)-atRest) <= s.startAmperes()
}

// startAmperes is the current from which an output counts as working and not as
// offset: twice the offset that the maker allows, and at least 1 % of the current limit.
func (s *Settings) startAmperes() float64 {
	a := max(2*s.Count.OffsetAmperes, 0.002)
	if l := s.Limits.Amperes; !math.IsNaN(l) {
		a = max(a, 0.01*l)
	}
	return a
}

// Past hands a notice to the routes past the log, which does not take it now.
func (s *Settings) Past(n routes.Notice) {
	if s.Tell != nil {
		s.Tell(n)
	}
}

// wake tells those who read the log that there is something new.
func (s *Settings) wake() {
	if s.Wake != nil {
		s.Wake()
	}
}

// restMeaning says what rest does to the deposit.
func (s *Settings) restMeaning() string {
	switch ch := s.Chemistry; {
	case ch.RedissolvesOff:
		return "This bath dissolves the deposit while the current is off."
	case ch.SpoiledByPause:
		return "Do not resume on this deposit: it would peel."
	}
	return ""
}

// Facts are what the watch knows at one moment besides the readings.
type Facts struct {
	Moment
	Supply
}

// Supply is what the line has found out about the supply.
type Supply struct {
	Up       bool             // there is a line to ask on
	Identity drivers.Identity // who answered last, in a process before as well
	Status   drivers.Status   // the newest; what is not known is NaN
	Opened   uint64           // how often the line was opened
	Since    time.Duration    // when it came up or went down last, on the clock of the readings
	Silences int              // questions without any answer since the newest counted reading
	Swapped  bool             // another instrument has answered since then
	SharedBy string           // another process that has the port open and may take answers; empty: none is known
}

// Known is who answered last, empty before anybody has.
func (s *Supply) Known() string {
	if s.Identity == (drivers.Identity{}) {
		return ""
	}
	return s.Identity.String()
}

var nan = math.NaN()

// UnknownStatus is that of a supply which has not told.
func UnknownStatus() drivers.Status {
	return drivers.Status{SetVolts: drivers.Volts(nan), SetAmperes: drivers.Amperes(nan), LimitVolts: drivers.Volts(nan), LimitAmperes: drivers.Amperes(nan)}
}
