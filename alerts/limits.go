package alerts

import (
	"math"
	"time"
)

// Setting is how one condition is handled, whatever its limit.
type Setting struct {
	OnDelay  time.Duration // the condition must hold this long before the alarm is raised
	OffDelay time.Duration // and be over this long before it is taken back
	Deadband float64       // fraction of the limit by which a value must come back, such as 0.02
	Priority Priority
	Latching bool // the alarm stays, when over, until a person resets it
	Ignored  bool // the condition is not judged at all
	Source   string
}

// Limits are the figures a cell is held against. A limit that is NaN is not judged.
type Limits struct {
	Poll time.Duration // the usual time between readings

	Amperes               float64 // over-current, A
	AmperesPerSquareMetre float64 // what the deposit stands, A/m²
	CathodeSquareMetres   float64
	Volts                 float64       // over-voltage, V
	DriftVolts            float64       // half-width of the corridor at constant current, V
	DriftRelative         float64       // half-width of the corridor at constant voltage, fraction of the learned current
	Run                   time.Duration // the longest the run may take; 0: not judged

	Silence       time.Duration // supply-silent
	Gap           time.Duration // gap-too-long
	Frozen        time.Duration // reading-frozen: identical readings for at least this long
	Runaway       time.Duration // thermal-runaway: the current limit is this near at the present growth
	TargetLead    time.Duration // target-near: so long before the target
	PlanFraction  float64       // charge-behind and charge-ahead, fraction of the target
	Uncertainty   float64       // uncertainty-large: k = 2 as a fraction of the target
	DepletionRate float64       // depletion by the model: current over limiting current
	MarginalGram  float64       // energy of the next gram, J/kg
	LogBytes      float64       // log-disk, bytes free
	PushLag       time.Duration // push-behind
	NoticeAge     time.Duration // notice-undeliverable: age of the oldest unsent notice

	Chatter Chatter
	Flood   Flood
	Warmup  Warmup

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

// Warmup says how the corridor is learned.
type Warmup struct {
	Skip         time.Duration // of the beginning that is ignored: the ramp
	Longest      time.Duration // learning ends at the latest after this
	SettledSlope float64       // V/h at constant current below which the cell counts as warm
	Follow       float64       // V/h by which the corridor follows a remaining fall
}

// Defaults returns the starting values. Where a figure is published its source stands
// beside it; the others are common practice, no source.
func Defaults() Limits {
	l := Limits{
		Poll:    time.Second,
		Amperes: math.NaN(), AmperesPerSquareMetre: math.NaN(), CathodeSquareMetres: math.NaN(), Volts: math.NaN(),
		DriftVolts:    0.3,
		DriftRelative: 0.10,
		Silence:       15 * time.Second,
		Gap:           time.Minute,
		Frozen:        10 * time.Minute,
		Runaway:       time.Hour,
		TargetLead:    30 * time.Minute,
		PlanFraction:  0.05,
		Uncertainty:   0.05,
		DepletionRate: 1,
		MarginalGram:  math.NaN(),
		LogBytes:      100e6,
		PushLag:       30 * time.Minute,
		NoticeAge:     5 * time.Minute,
		// Three in a minute is a convention of the trade; the standard's own wording was
		// not seen, so it is a setting. The hold is common practice, no source.
		Chatter: Chatter{Count: 3, In: time.Minute, Hold: 10 * time.Minute},
		// ISA-18.2-2016, 16.4.4: above 10 in 10 minutes, until below 5 in 10 minutes.
		Flood:  Flood{In: 10 * time.Minute, Above: 10, Below: 5},
		Warmup: Warmup{Skip: 10 * time.Minute, Longest: 4 * time.Hour, SettledSlope: 0.025, Follow: 0.015},
	}
	for c := range l.settings {
		l.settings[c] = catalogue[c].setting
	}
	return l
}

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
	Divided           bool    // a diaphragm or membrane stands between the electrodes
	ChlorineAtAnode   bool
	InterruptionLimit time.Duration // what the deposit stands; 0: not known
}
