package alerts

import (
	"math"
	"time"

	"nightcell/alerts/trend"
)

// follow takes one good reading into what is learned of the cell.
func (b *Board) follow(now time.Duration, o *Observation) {
	running := b.isRunning(o)
	if running != b.m.Running {
		b.m.Running = running
		b.relearn("the output was switched")
	}
	if !running {
		return
	}
	if b.m.Regulation == ModeUnknown && (o.Mode == ConstantCurrent || o.Mode == ConstantVoltage) {
		b.m.Regulation = o.Mode
	}
	t := now.Seconds()
	if !b.m.History.Add(t, o.Volts, o.Amperes) {
		return
	}
	last := b.m.History.Last(0)
	s := b.corridorSettings()
	b.m.Corridor.Add(&s, last.At, b.signal(last))
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

// signal is what the corridor is made of: the quantity that the supply leaves to the
// cell. Volts at constant current; at constant voltage amperes, counted negative, so that in both
// a cell that conducts better falls.
func (b *Board) signal(k *trend.Block) float64 {
	if b.m.Regulation == ConstantVoltage {
		return -k.Amperes
	}
	return k.Volts
}

func (b *Board) corridorSettings() trend.CorridorSettings {
	w := &b.limits.Warmup
	s := trend.CorridorSettings{
		Skip: w.Skip.Seconds(), Longest: w.Longest.Seconds(),
		SettledSlope: w.SettledSlope, Follow: w.Follow, HalfWidth: b.limits.DriftVolts,
	}
	if b.m.Regulation == ConstantVoltage {
		scale := b.limits.DriftRelative * b.usual() / b.limits.DriftVolts // A for V
		s.SettledSlope *= scale
		s.Follow *= scale
		s.HalfWidth *= scale
	}
	return s
}

// usual returns the current that the run is meant to have, in amperes; zero when not known.
func (b *Board) usual() float64 {
	if b.m.Regulation != ConstantVoltage && b.m.Set.Known && b.m.Set.Amperes.float() > 0 {
		return b.m.Set.Amperes.float()
	}
	if b.m.History.Len() == 0 {
		return 0
	}
	var sum float64
	n := min(b.m.History.Len(), 10)
	for i := range n {
		sum += b.m.History.Last(i).Amperes
	}
	return math.Max(sum/float64(n), b.m.Usual)
}

// Relearn makes the board forget the corridor and learn it anew, because something
// was done to the cell on purpose: an addition, a new electrode, another current. why is shown to people.
func (b *Board) Relearn(why string) { b.relearn(why) }

func (b *Board) relearn(why string) {
	b.m.Why = why
	b.m.Corridor.Restart()
	b.m.History.Clear()
	b.m.Usual = 0
}

// Expect tells the board the set-points that are meant, after the watch itself or a
// person has changed them, so that they are not taken for a stranger's hand.
func (b *Board) Expect(volts, amperes float64) {
	b.m.Set = setPoints{Known: true, Volts: number(volts), Amperes: number(amperes)}
}
