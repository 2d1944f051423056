package alerts

import (
	"math"
	"nightcell/alerts/trend"
	"time"
)

// Mode is what the supply says it is holding constant.
type Mode uint8

// The regulation modes, in the order the drivers use.
const (
	ModeUnknown Mode = iota
	ConstantVoltage
	ConstantCurrent
	Unregulated
)

var modeNames = [...]string{"unknown", "constant voltage", "constant current", "unregulated"}

// String returns the mode in words.
func (m Mode) String() string { return wordOf(modeNames[:], int(m)) }

// Output is the state of the supply's output.
type Output uint8

// The output states, in the order the drivers use.
const (
	OutputUnknown Output = iota
	OutputIsOff
	OutputIsOn
)

// String returns the state in words.
func (o Output) String() string { return wordOf([]string{"unknown", "off", "on"}, int(o)) }

// wordOf is the word of a state; one that there is not is unknown.
func wordOf(words []string, n int) string {
	if n >= len(words) {
		n = 0
	}
	return words[n]
}

// Observation is all that is known at one moment. Begin with Blank, which marks every
// optional number as unknown, and fill in what there is.
type Observation struct {
	At  time.Duration // monotonic
	UTC time.Time

	// The newest reading, when this moment brought one.
	HasReading     bool    // of the supply; without it Amperes are what a second meter shows alone, or unknown
	Volts, Amperes float64 // V, A
	Mode           Mode
	Output         Output
	// Silence is the time since the last good reading. It is judged whether or not there is a reading.
	Silence time.Duration
	// LineLost is the time without a reading that this one ended, if the supply was out of reach in it and had to be found again; else 0.
	LineLost   time.Duration
	SharedWith string // the processes that have the supply's port open beside the watch while answers are missed; "" when none

	// OwnVolts and OwnAmperes are what the supply itself reported, where other figures stand for the cell above; 0: the same.
	OwnVolts, OwnAmperes float64
	Meter                Meter

	// What the supply says of itself, as newly as it was asked.
	SetVolts, SetAmperes float64 // V, A
	LimitAmperes         float64 // protection level, A
	Tripped              string  // the protection that acted, "" when none
	Restarted            bool    // the instrument came back with power-on values
	OffExpected          bool    // the output is off, or being switched off, on purpose
	OffFailed            bool    // an ordered off could not be verified

	// The charge.
	Charge, ChargeUncertainty float64 // counted, and its standard uncertainty with gaps, C
	Target                    float64 // C
	PlanCharge                float64 // what the plan would have by now, C
	Deposit                   float64 // estimated, kg
	LimitingRatio             float64 // current over limiting current
	MarginalJoules            float64 // energy of the next gram, J/kg
	Elapsed                   time.Duration
	Gap                       time.Duration // length of the gap that this reading ended, else 0
	AirNeeded, AirStated      float64       // ventilation, m³/s
	Gas                       string        // "hydrogen" or "chlorine", of AirNeeded

	// The watch.
	LogFree   float64 // bytes
	LogFailed bool    // lines wait in memory
	// LogAltered says what became of the run log behind the watch's back; empty: nothing that is known.
	LogAltered string
	Outside
}

// Meter is how a second meter gets on beside the supply. The zero Meter is none.
type Meter struct {
	Name    string
	Silence time.Duration // since its last good reading
	Unit    string        // of the figures that follow; "": there is nothing to compare
	Shows   float64       // by the meter
	Supply  float64       // by the supply, at the same time
	Apart   float64       // how far these are on the wrong sides of each other
	Allowed float64       // what both accuracies explain
	// LeadVolts is how much more the leads take than at the resistance that the run has shown so far, V.
	LeadVolts float64
}

// Outside is how those who are told what the watch sees are getting on.
type Outside struct {
	PushLag     time.Duration // of the push that is furthest behind
	Push        string        // its name
	DeliveryLag time.Duration // of the oldest notice that a route has not delivered
	Route       string        // its name
}

// Blank returns an Observation at a moment with nothing known.
func Blank(at time.Duration, utc time.Time) Observation {
	nan := math.NaN()
	return Observation{
		At: at, UTC: utc, Volts: nan, Amperes: nan, SetVolts: nan, SetAmperes: nan, LimitAmperes: nan,
		Charge: nan, ChargeUncertainty: nan, Target: nan, PlanCharge: nan, Deposit: nan,
		LimitingRatio: nan, MarginalJoules: nan, AirNeeded: nan, AirStated: nan, LogFree: nan,
	}
}

// finite tells whether x is a number one can judge.
func finite(x float64) bool { return x-x == 0 }

// sane tells whether x can be volts or amperes of a bench supply at all: the drivers
// refuse less than this, and sums of such figures never overflow.
func sane(x float64) bool { return x > -1e6 && x < 1e6 }

// Unit returns the SI unit of Change.Value and Change.Limit in words, "" when they have none of their own.
func (c Condition) Unit() string { return catalogue().rows[c].Unit }

// Setting is how one condition is handled, whatever its limit.
type Setting struct {
	OnDelay  time.Duration `toml:"on_delay"`  // the condition must hold this long before the alarm is raised
	OffDelay time.Duration `toml:"off_delay"` // and be over this long before it is taken back
	Deadband float64       // fraction of the limit by which a value must come back, such as 0.02
	Priority Priority
	Latching bool // the alarm stays, when over, until a person resets it
	Ignored  bool // the condition is not judged at all
	Source   string
}

// Limits are the figures a cell is held against. A limit that is NaN is not judged.
type Limits struct {
	Poll time.Duration // the usual time between readings

	Amperes               float64       // over-current, A
	AmperesPerSquareMetre float64       `toml:"amperes_per_square_metre"` // what the deposit stands, A/m²
	CathodeSquareMetres   float64       `toml:"cathode_square_metres"`
	Volts                 float64       // over-voltage, V
	DriftVolts            float64       `toml:"drift_volts"`    // half-width of the corridor at constant current, V
	DriftRelative         float64       `toml:"drift_relative"` // half-width of the corridor at constant voltage, fraction of the learned current
	Run                   time.Duration // the longest the run may take; 0: not judged

	Silence        time.Duration // supply-silent
	Gap            time.Duration // gap-too-long
	Frozen         time.Duration // reading-frozen: identical readings for at least this long
	Runaway        time.Duration // thermal-runaway: the current limit is this near at the present growth
	TargetLead     time.Duration `toml:"target_lead"`   // target-near: so long before the target
	PlanFraction   float64       `toml:"plan_fraction"` // charge-behind and charge-ahead, fraction of the target
	Uncertainty    float64       // uncertainty-large: k = 2 as a fraction of the target
	DepletionRate  float64       `toml:"depletion_rate"`  // depletion by the model: current over limiting current
	MarginalEnergy float64       `toml:"marginal_energy"` // energy of the next gram, J/kg
	LogBytes       float64       `toml:"log_bytes"`       // log-disk, bytes free
	PushLag        time.Duration `toml:"push_lag"`        // push-behind
	DeliveryLag    time.Duration `toml:"delivery_lag"`    // notification-undeliverable: age of the oldest that is not delivered

	Chatter Chatter
	Flood   Flood
	Warmup  trend.CorridorSettings // for volts, in hours; DriftVolts and DriftRelative are its half-width

	settings [conditionCount]Setting
}

// Chatter is when an alarm counts as chattering, and how it is then kept quiet.
type Chatter struct {
	Count int           // onsets, at most 8
	In    time.Duration // within this time
	Hold  time.Duration // the alarm then stays active until it has been calm so long
}

// Flood is when so many alarms come that nobody can answer them.
type Flood struct {
	In    time.Duration
	Above int // a flood begins above this many onsets in the time, at most 15
	Below int // and ends below this many
}

// Defaults returns the starting values, as catalogue.toml has them.
func Defaults() Limits { return catalogue().limits }

// Setting returns the setting of c, to be read or changed.
func (l *Limits) Setting(c Condition) *Setting { return &l.settings[c] }

// Chemistry is what the watch must know of the metal and the cell.
type Chemistry struct {
	Metal             string  // its name, such as "zinc", for texts; empty: none is stated
	AtRest            string  // what the deposit does when the current stops, in a clause; empty: not known
	FloorVolts        float64 // below this no metal can be won; NaN with a soluble anode
	DepletionVisible  bool    // an emptying bath shows in the voltage (Cu, Ag), or does not (Ni, Zn, Mn)
	RedissolvesOff    bool    // the bath attacks the deposit when the current stops
	SpoiledByPause    bool    // the deposit peels when interrupted and resumed
	HoldsVolts        bool    // the supply is meant to hold the voltage; else it is learned which quantity it holds
	Divided           bool    // a diaphragm or membrane stands between the electrodes
	ChlorineAtAnode   bool
	InterruptionLimit time.Duration // what the deposit stands; 0: not known
}
