// Package snapshot is what one cell's loop publishes after every reading for
// everyone else to read: metrics, page, control socket. Readers take copies and
// never hold the writer up; there is no lock.
package snapshot

import (
	"sync/atomic"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/drivers"
	"nightcell/integrate"
)

// Cell is the state of one cell at one moment. Quantities are SI with the unit in
// the name; what is not known is NaN. Slices and maps in it are shared between copies and
// never changed in place.
type Cell struct {
	Name     string // the cell's name in the configuration
	Supply   string // the supply's name in the configuration
	Metal    string // element symbol, empty when no bath is stated
	AtRest   string // what the deposit does when the current stops, in a clause; empty when no bath is stated
	Lift     bool   // the cathode is to be lifted under the hold current before the output goes off
	Run      string // folder of the run, its UTC begin
	Began    time.Time
	At       time.Time // when this snapshot was made, UTC
	Elapsed  time.Duration
	Ended    bool
	EndedWhy string // in words, empty while the run goes on
	// OffVerified says that nightcell switched the output off and read it back.
	OffVerified bool
	// Safe says that the newest reading was of an output that is off, or of one at or under its hold current.
	Safe bool
	// PlannedTarget is the target charge as planned when the run began, C. Entries and
	// the actual current move Charge.TargetCoulombs away from it.
	PlannedTarget float64
	Left          string // what the ledger of the bath said was left when the run began; empty: the bath is as stated
	// Waiting says that no run has begun: the output is off, nobody answers, or no run can begin, and then Alarms says so.
	Waiting bool
	// Cleared says that the pre-flight for an unattended run was passed, by whom and when.
	Cleared   bool
	ClearedBy string
	May       alerts.Permission // what nightcell may do by itself

	Link     Link
	Reading  Reading
	Charge   Charge
	Bath     Bath
	Settings Settings
	Alarms   []alerts.Alarm // those not in the normal state, causes before what follows from them
	Log      Log
	Outlet   Outlet // filled in for the reader; the cell's loop knows nothing of it
	Poll     Poll
	Refused  map[drivers.Reason]uint64 // answers that were not counted
	Blind    []string                  // what volts and amperes cannot see for this metal
}

// Board holds the newest snapshot of one cell for one writer and any number of readers; nobody waits for anybody.
type Board struct{ newest atomic.Pointer[Cell] }

// Publish makes a copy of c the newest snapshot.
func (b *Board) Publish(c *Cell) { b.newest.Store(new(*c)) }

// Latest returns a copy of the newest snapshot, or nil before the first.
func (b *Board) Latest() *Cell {
	if c := b.newest.Load(); c != nil {
		return new(*c)
	}
	return nil
}

// Link is how the line to the supply is.
type Link struct {
	Up         bool
	Identity   string
	Since      time.Time // when Up last changed
	Reconnects uint64
	Problem    string // why it is not up
}

// Reading is the newest good reading.
type Reading struct {
	At      time.Time // UTC, zero before the first
	Mono    time.Duration
	Volts   float64
	Amperes float64
	Mode    drivers.Mode
	Output  drivers.Output
	Count   uint64
	ByMeter bool // a second meter shows it alone; Mono is of the supply's newest
}

// Charge is the counted charge and energy of the run, with the gaps apart.
type Charge struct {
	CountedCoulombs     float64 // observed + best value of the gaps
	ObservedCoulombs    float64
	GapLowCoulombs      float64
	GapHighCoulombs     float64
	UncertaintyCoulombs float64 // standard, k = 1
	Budget              integrate.Budget
	MeterCoulombs       float64 // of the observed charge, by the second meter
	Leads               integrate.Leads
	Gaps                int
	GapSeconds          float64
	TargetCoulombs      float64
	TargetUncertainty   float64 // standard, C
	TargetBelow         float64 // C to the limits of a doubt that is not the same to both sides; both 0: it is
	TargetAbove         float64
	Unconfirmed         string  // kind of an entry that contradicted the books and waits to be confirmed; empty: none
	TargetWith          float64 // C, with that entry; the earlier of this and TargetWithout acts, and is TargetCoulombs
	TargetWithout       float64 // C, without it
	PlanCoulombs        float64 // where the count would be now on plan, with what a short took
	PlanAmperes         float64 // the planned current, NaN without one
	EnergyJoules        float64 // with the best value of each gap
	EnergyObserved      float64 // J, gaps left out
	EnergyUncertainty   float64 // standard, J
	SecondsToTarget     float64 // at the present current, or as it creeps at constant voltage; +Inf when it never gets there
	SecondsLow          float64 // the range of that at constant voltage; both 0: the supply holds the current
	SecondsHigh         float64
	FinishesAt          time.Time
	TargetReached       bool
	ShuntedCoulombs     float64 // passed while metal bridged the electrodes: counted, but it won nothing
	TheoreticalGrams    float64 // of the counted charge at 100 %
	JoulesPerKilogram   float64 // of estimated deposit
}

// Bath is what the model says of the bath and, with the last assay, of the deposit.
type Bath struct {
	DepositGrams              float64
	ConcentrationGramPerLitre float64
	ConcentrationUncertainty  float64 // standard, g/L
	OverallEfficiency         float64 // 0..1
	MarginalEfficiency        float64
	CurrentDensity            float64 // A/m2 on the cathode
	OfLimitingCurrent         float64 // i / i_lim
	HydrogenLitresPerHour     float64
	HydrogenLitres            float64
	AnodeGas                  string // "oxygen" or "chlorine"
	AnodeGasLitresPerHour     float64
	AcidGrams                 float64
	AcidName                  string // formula of the medium's acid, or of the alkali that is used up
	WaterGrams                float64
}

// Settings are what the supply last said of itself: set-points, protection, output.
type Settings struct {
	At time.Time
	drivers.Status
}

// Log is the state of the run log.
type Log struct {
	Bytes     int64
	Backlog   int   // bytes of lines that wait in memory for disk space
	LostLines int64 // that found no room in memory either
	Problem   string
	DiskFree  float64 // bytes, NaN unknown
}

// Outlet is the state of the ways out: pushes and notices.
type Outlet struct {
	Routes, Pushes []routes.Health
}

// Poll is how punctual the polls are.
type Poll struct {
	EverySeconds    float64
	GapAfterSeconds float64 // a longer time without a reading is a gap
	Good, Bad       uint64
	LateSeconds     float64 // of the last poll against its schedule
}
