package alerts

import (
	"math"
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
func (m Mode) String() string { return modeNames[min(int(m), len(modeNames)-1)] }

// Output is the state of the supply's output.
type Output uint8

// The output states, in the order the drivers use.
const (
	OutputUnknown Output = iota
	OutputIsOff
	OutputIsOn
)

// Observation is all that is known at one moment. Begin with Blank, which marks every
// optional number as unknown, and fill in what there is.
type Observation struct {
	At  time.Duration // monotonic
	UTC time.Time

	// The newest reading, when this moment brought one.
	HasReading     bool
	Volts, Amperes float64 // V, A
	Mode           Mode
	Output         Output
	// Silence is the time since the last good reading. It is judged whether or not there is a reading.
	Silence time.Duration
	// LineLost is the time without a reading that this one ended, if the supply was out of reach in it and had to be found again; else 0.
	LineLost   time.Duration
	SharedWith string // the processes that have the supply's port open beside the watch while answers are missed; "" when none

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

// Outside is how those who are told what the watch sees are getting on.
type Outside struct {
	PushLag   time.Duration // of the push that is furthest behind
	Push      string        // its name
	NoticeAge time.Duration // of the oldest notice that a route has not delivered
	Route     string        // its name
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

// units name the SI unit of what is judged of a condition and of its limit, where the text tells both.
var units = map[Condition]string{
	SupplySilent: "seconds", ReadingFrozen: "seconds", GapTooLong: "seconds", TargetNear: "seconds", TimeLimit: "seconds",
	ThermalRunaway: "seconds", PushBehind: "seconds", NoticeUndeliverable: "seconds",
	HardShort: "volts", OverVoltage: "volts", LeadOff: "amperes", OverCurrent: "amperes",
	CurrentDensity: "amperes_per_square_metre", GasVentilation: "cubic_metres_per_second",
	StirrerStopped: "ratio", Depletion: "ratio",
	UncertaintyLarge: "coulombs", ChargeBehind: "coulombs", ChargeAhead: "coulombs", TargetReached: "coulombs",
	MarginalGram: "joules_per_kilogram", LogDisk: "bytes",
}

// Unit returns the SI unit of Change.Value and Change.Limit in words, "" when they have none of their own.
func (c Condition) Unit() string { return units[c] }
