package alerts

import "math"

// judgeCharge judges milestones and accounts of the run, and the watch itself.
func (b *Board) judgeCharge(o *Observation) {
	v, l := &b.verdicts, &b.limits
	v[GasVentilation] = b.above(GasVentilation, o.AirNeeded, o.AirStated)
	v[GapTooLong] = b.above(GapTooLong, o.Gap.Seconds(), l.Gap.Seconds())
	v[UncertaintyLarge] = b.above(UncertaintyLarge, 2*o.ChargeUncertainty, l.Uncertainty*o.Target)
	ahead := o.Charge - o.PlanCharge
	v[ChargeBehind] = b.above(ChargeBehind, -ahead, l.PlanFraction*o.Target)
	v[ChargeAhead] = b.above(ChargeAhead, ahead, l.PlanFraction*o.Target)
	v[TargetReached] = b.above(TargetReached, o.Charge, o.Target)
	v[TargetReached].over = v[TargetReached].over || v[TargetReached].known && o.Charge == o.Target
	v[TargetNear] = b.targetNear(o)
	v[TimeLimit] = verdict{}
	if l.Run > 0 {
		v[TimeLimit] = b.above(TimeLimit, o.Elapsed.Seconds(), l.Run.Seconds())
	}
	v[MarginalGram] = b.above(MarginalGram, o.MarginalJoules, l.MarginalGram)

	v[LogDisk] = b.below(LogDisk, o.LogFree, l.LogBytes)
	if o.LogFailed {
		v[LogDisk] = yes(true)
	}
	v[LogAltered] = yes(o.LogAltered != "")
	v[PushBehind] = b.above(PushBehind, o.PushLag.Seconds(), l.PushLag.Seconds())
	v[NoticeUndeliverable] = b.above(NoticeUndeliverable, o.NoticeAge.Seconds(), l.NoticeAge.Seconds())
}

// targetNear compares the time that is left at the usual current with the lead. Once
// the target is reached it is no longer near.
func (b *Board) targetNear(o *Observation) verdict {
	usual := b.usual()
	left := o.Target - o.Charge
	if usual <= 0 || !finite(left) {
		return verdict{}
	}
	if left <= 0 {
		return verdict{known: true, value: 0, limit: b.limits.TargetLead.Seconds()}
	}
	return b.below(TargetNear, math.Min(left/usual, 1e9), b.limits.TargetLead.Seconds())
}
