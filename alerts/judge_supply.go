package alerts

import (
	"math"
	"time"
)

// judgeSupply judges what concerns the instrument itself.
func (b *Board) judgeSupply(o *Observation, now time.Duration, fresh bool) {
	v, l := &b.verdicts, &b.limits
	v[OffFailed] = yes(o.OffFailed)
	v[PortShared] = yes(o.SharedWith != "")
	// A longer loss is supply-silent.
	v[LineLost] = verdict{known: true, over: o.LineLost > 0 && o.LineLost <= l.Silence, value: o.LineLost.Seconds(), limit: math.NaN()}
	v[SupplySilent] = b.above(SupplySilent, o.Silence.Seconds(), l.Silence.Seconds())
	if o.Silence >= max(l.Poll+l.Poll/2, 2*time.Second) {
		b.m.Dark = now
	}
	if !fresh {
		for _, c := range [...]Condition{MainsInterruption, ProtectionTripped, OutputOff, SetPointsChanged, ReadingFrozen} {
			v[c] = verdict{}
		}
		return
	}
	v[ProtectionTripped] = yes(o.Tripped != "")
	v[SetPointsChanged] = b.setPoints(o)
	v[MainsInterruption] = b.mains(o, now)
	v[OutputOff] = yes(o.Output == OutputIsOff && b.m.WasOn && !o.OffExpected)
	if o.Output == OutputIsOn {
		b.m.WasOn = true
	}
	v[ReadingFrozen] = b.frozen(now)
}

// afterDark is how long after a silence a changed state still counts as found on
// return; the driver asks for the state less often than for readings (common practice, no source).
const afterDark = 30 * time.Second

// mains judges that power was lost: the instrument says so, or it was silent and came
// back with its output off or with other set-points. It holds until current may flow again and the set-points are as
// meant, or somebody who knows of it has set others: those are then an alarm of their own, to be acknowledged or set back.
func (b *Board) mains(o *Observation, now time.Duration) verdict {
	restored := b.m.Running && (!b.verdicts[SetPointsChanged].over || b.m.Alarms[MainsInterruption].State == ACKED)
	asFound := b.m.Dark >= 0 && now-b.m.Dark <= afterDark && b.m.WasOn && !o.OffExpected && o.Tripped == ""
	switch {
	case o.Restarted && !restored, asFound && (o.Output == OutputIsOff || b.verdicts[SetPointsChanged].over):
		b.m.Mains = true
	case restored || o.OffExpected:
		b.m.Mains = false
	}
	return yes(b.m.Mains || o.Restarted)
}

// setPoints compares the supply's set-points with those the run began with.
func (b *Board) setPoints(o *Observation) verdict {
	s := &b.m.Set
	if !finite(o.SetAmperes) && !finite(o.SetVolts) {
		return verdict{}
	}
	if !finite(s.Volts.float()) {
		s.Volts = number(o.SetVolts)
	}
	if !finite(s.Amperes.float()) {
		s.Amperes = number(o.SetAmperes)
	}
	if differs(o.SetAmperes, s.Amperes.float()) {
		return verdict{known: true, over: true, value: o.SetAmperes, limit: s.Amperes.float()}
	}
	return verdict{known: true, over: differs(o.SetVolts, s.Volts.float()), value: o.SetVolts, limit: s.Volts.float()}
}

// differs tells whether two set-points are different by more than a display rounds:
// 0.5 % and a milliunit (common practice, no source). What is not known does not differ.
func differs(a, b float64) bool {
	return math.Abs(a-b) > 0.001+0.005*math.Abs(b)
}

// frozen judges that the reading has stood still on a meter that otherwise never
// does. A coarse display on a quiet cell does stand still; there only a reading that never moved at all in an
// hour, warm-up included, is suspect.
func (b *Board) frozen(now time.Duration) verdict {
	r := &b.m.Repeats
	stood, least := now-r.Since, b.limits.Frozen
	if !r.lively() {
		least = max(6*least, time.Hour)
	}
	return verdict{
		known: true, over: stood >= least && r.Run >= 20 && (r.lively() || r.Changes <= 1),
		value: stood.Seconds(), limit: least.Seconds(),
	}
}

// yes is a verdict without a number.
func yes(over bool) verdict {
	return verdict{known: true, over: over, value: math.NaN(), limit: math.NaN()}
}

// above judges that value is over limit, and stays so until it is below by the deadband.
func (b *Board) above(c Condition, value, limit float64) verdict {
	if !finite(value) || !finite(limit) {
		return verdict{}
	}
	edge := limit
	if b.raw.has(c) {
		edge -= b.limits.settings[c].Deadband * math.Abs(limit)
	}
	return verdict{known: true, over: value > edge, value: value, limit: limit}
}

// below judges that value is under limit, and stays so until it is above by the deadband.
func (b *Board) below(c Condition, value, limit float64) verdict {
	v := b.above(c, -value, -limit)
	v.value, v.limit = value, limit
	return v
}
