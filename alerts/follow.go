package alerts

import (
	"math"
	"time"

	"nightcell/alerts/trend"
	"nightcell/configs/quantity"
)

// follow takes one good reading into what is learned of the cell.
func (b *Board) follow(now time.Duration, o *Observation) {
	running := b.isRunning(o)
	if running != b.m.Running {
		b.m.Running = running
		b.Relearn("the output was switched")
	}
	if !running {
		return
	}
	b.regulate(now, o)
	b.repeat(now, o)
	t := now.Seconds()
	y, sigma := o.Volts, b.m.Noise
	if b.m.Regulation == ConstantVoltage {
		y = -o.Amperes
	}
	if !b.m.Corridor.Settled {
		sigma = b.m.Fresh
	}
	b.m.Excursions.Add(t, y, sigma)
	if !b.m.History.Add(t, o.Volts, o.Amperes) {
		return
	}
	b.m.Fresh = b.recentNoise(5)
	last := b.m.History.Last(0)
	b.m.Repeats.closed(last)
	if b.active.has(HardShort) {
		return // what a short shows is no baseline
	}
	settled := b.m.Corridor.Settled
	s := b.corridorSettings()
	b.m.Corridor.Add(&s, last.At, b.signal(last))
	if b.m.Corridor.Settled && !settled {
		b.learn()
	}
	b.look()
}

// isRunning decides whether current is meant to flow. Where the supply does not tell
// its output state, amperes do, and only a cell without volts counts as switched off.
func (b *Board) isRunning(o *Observation) bool {
	switch o.Output {
	case OutputIsOn:
		return true
	case OutputIsOff:
		return false
	}
	if math.Abs(o.Amperes) > leastAmperes {
		return true
	}
	return b.m.Running && math.Abs(o.Volts) > leastVolts
}

// leastAmperes and leastVolts tell something from nothing when nothing better is
// known (common practice, no source).
const (
	leastAmperes = 0.01
	leastVolts   = 0.3
)

// regulationTime is how long a mode must last before it counts as the one the run is meant to have: a
// ramp may begin in the other (common practice, no source).
const regulationTime = 2 * time.Minute

// regulate learns which quantity the supply is meant to hold.
func (b *Board) regulate(now time.Duration, o *Observation) {
	mode := modeOf(o)
	if b.m.Regulation != ModeUnknown || mode != ConstantCurrent && mode != ConstantVoltage {
		return
	}
	if mode != b.m.Mode {
		b.m.Mode, b.m.ModeSince = mode, now
	}
	if now-b.m.ModeSince < regulationTime {
		return
	}
	b.m.Regulation = mode
	if mode == ConstantVoltage { // what was gathered so far was the other quantity
		b.m.Corridor.Restart()
		b.m.Excursions = trend.Excursions{}
	}
}

// modeOf is the mode that the supply tells, or else the one that the set-points and the
// reading tell: what stands at its set-point is held.
func modeOf(o *Observation) Mode {
	const at, under = 0.01, 0.03
	switch {
	case o.Mode != ModeUnknown:
		return o.Mode
	case math.Abs(o.Amperes-o.SetAmperes) < at*o.SetAmperes && o.Volts < (1-under)*o.SetVolts:
		return ConstantCurrent
	case math.Abs(o.Volts-o.SetVolts) < at*o.SetVolts && o.Amperes < (1-under)*o.SetAmperes:
		return ConstantVoltage
	}
	return ModeUnknown
}

// repeat counts how often a reading equals the one before, to the last digit, and
// learns the size of the last digit.
func (b *Board) repeat(now time.Duration, o *Observation) {
	r := &b.m.Repeats
	v, a := math.Abs(o.Volts-float64(r.Volts)), math.Abs(o.Amperes-float64(r.Amperes))
	if v == 0 && a == 0 {
		r.Run++
		return
	}
	if v > 0 && (r.StepVolts == 0 || v < r.StepVolts) {
		r.StepVolts = v
	}
	if a > 0 && (r.StepAmperes == 0 || a < r.StepAmperes) {
		r.StepAmperes = a
	}
	r.Changes++
	r.Blocks += r.Pending
	r.Still += r.Pending
	r.Volts, r.Amperes, r.Run, r.Since, r.Pending = quantity.Maybe(o.Volts), quantity.Maybe(o.Amperes), 0, now, 0
}

// repeats is the memory of equal readings. It belongs to the meter, so it outlives a new corridor.
type repeats struct {
	Volts, Amperes         quantity.Maybe
	Since                  time.Duration // when this pair first came
	Run                    int           // how often it has come again
	Changes                int           // how often it was followed by another
	Blocks                 int           // closed blocks
	Still                  int           // of these: without any change
	Pending                int           // blocks without any change that this pair has lasted
	StepVolts, StepAmperes float64       // smallest changes seen: the last digits; zero before one was
}

// closed counts a block.
func (r *repeats) closed(k *trend.Block) {
	if k.NoiseVolts == 0 && k.NoiseAmperes == 0 {
		r.Pending++
	} else {
		r.Blocks++
	}
}

// lively tells whether this meter on this cell shows a change in practically every
// block, so that standing still means something.
func (r *repeats) lively() bool { return r.Blocks >= 15 && 50*r.Still <= r.Blocks }

// signal is what the corridor is made of: the quantity that the supply leaves to the
// cell. Volts at constant current; at constant voltage amperes, counted negative, so that in both
// a cell that conducts better falls.
func (b *Board) signal(k *trend.Block) float64 {
	if b.m.Regulation == ConstantVoltage {
		return -float64(k.Amperes)
	}
	return float64(k.Volts)
}

func (b *Board) corridorSettings() trend.CorridorSettings {
	w, scale := &b.limits.Warmup, b.scale()
	return trend.CorridorSettings{
		Skip: w.Skip.Seconds(), Longest: w.Longest.Seconds(),
		SettledSlope: w.SettledSlope * scale, Follow: w.Follow * scale, HalfWidth: b.halfWidth(),
	}
}

// halfWidth is the departure from the corridor's centre that counts, in signal units.
func (b *Board) halfWidth() float64 { return b.limits.DriftVolts * b.scale() }

// scale turns the corridor's figures, which are for volts, into those for its signal.
func (b *Board) scale() float64 {
	if b.m.Regulation == ConstantVoltage {
		return b.limits.DriftRelative * b.usual() / b.limits.DriftVolts // A for V
	}
	return 1
}

// usual returns the current that the run is meant to have, in amperes; zero when not known.
func (b *Board) usual() float64 {
	if b.m.Regulation != ConstantVoltage && float64(b.m.Set.Amperes) > 0 {
		return float64(b.m.Set.Amperes)
	}
	if b.m.Usual > 0 || b.m.History.Len() == 0 {
		return b.m.Usual
	}
	return float64(b.m.History.Last(0).Amperes)
}

// Relearn makes the board forget the corridor and learn it anew, because something
// was done to the cell on purpose: an addition, a new electrode, another current. why is shown to people.
func (b *Board) Relearn(why string) {
	m := &b.m
	m.Why = why
	m.Corridor.Restart()
	m.History.Clear()
	m.Excursions = trend.Excursions{}
	m.Features = features{}
	m.Steps = steps{}
	m.Regulation, m.Mode = ModeUnknown, ModeUnknown
	m.Usual, m.Noise, m.Steady, m.Fresh = 0, 0, 0, 0
}

// Expect tells the board the set-points that are meant, after the watch itself or a
// person has changed them, so that they are not taken for a stranger's hand. NaN leaves one to be learned.
func (b *Board) Expect(volts, amperes float64) {
	b.m.Set = setPoints{Volts: quantity.Maybe(volts), Amperes: quantity.Maybe(amperes)}
}
