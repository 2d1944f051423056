package alerts

import (
	"cmp"
	"math"
	"time"

	"nightcell/configs/quantity"
)

// floorShare is the share of the thermodynamic floor below which current must be
// crossing metal: roughly 80 to 90 % (derived from standard potentials; the share is common practice, no source).
const floorShare = 0.85

// ownShare is the share of a cell's own level below which it counts as shorted where no
// floor is known (common practice, no source).
const ownShare = 0.35

// judgeCell judges what volts and amperes say of the cell.
func (b *Board) judgeCell(o *Observation, now time.Duration, fresh bool) {
	v, l := &b.verdicts, &b.limits
	if !fresh {
		for c := HardShort; c < GasVentilation; c++ {
			v[c] = verdict{}
		}
	}
	most := max(o.Amperes, o.OwnAmperes) // a meter that is wrong or stands still hides nothing
	if o.HasReading && !fresh {
		most = math.NaN()
	}
	v[OverCurrent] = b.above(OverCurrent, most, l.Amperes)
	v[CurrentDensity] = b.above(CurrentDensity, most/l.CathodeSquareMetres, l.AmperesPerSquareMetre)
	if !fresh {
		return
	}
	usual := b.usual()
	v[HardShort] = b.hardShort(o, usual)
	v[LeadOff] = b.leadOff(o, usual)
	v[OverVoltage] = b.above(OverVoltage, o.Volts, l.Volts)
	mode := modeOf(o) // another than the run is meant to have
	v[ModeFlip] = yes(mode != b.m.Regulation)
	v[ModeFlip].known = mode != ModeUnknown && b.m.Regulation != ModeUnknown
	v[VoltageLimit] = verdict{}
	if b.m.Regulation == ConstantCurrent { // volts just under the set-point of a supply that is to hold current
		v[VoltageLimit] = b.above(VoltageLimit, cmp.Or(o.OwnVolts, o.Volts), nearLimit*o.SetVolts)
	}
	v[Whisker] = b.whisker(o)
	v[Depletion] = b.depletion(o)
	v[ThermalRunaway] = b.runaway(o)
	v[AnodePassivation] = b.passivation(o, usual)
	v[Contact] = b.contact(o)
	v[StirrerStopped] = b.stirrer(now)
	v[OhmicRise] = b.ohmic()
	v[VoltageDrift] = b.drift()
}

// hardShort: volts under the thermodynamic floor while current flows.
func (b *Board) hardShort(o *Observation, usual float64) verdict {
	floor, share := floorShare*b.chemistry.FloorVolts, 0.2
	if !finite(floor) { // soluble anode, or none stated: only this cell's own level can tell
		share = 0.5 // a current that somebody lowered lowers the volts too
		switch a, e := &b.m.Alarms[HardShort], &b.m.Excursions; {
		case b.m.Regulation == ConstantVoltage:
			return verdict{}
		case a.Active && finite(float64(a.Limit)):
			floor = float64(a.Limit) // the level follows what lasts, the short does not end by that
		case b.m.Corridor.Settled:
			floor = ownShare * b.m.Corridor.Centre
		case e.Known:
			floor = ownShare * e.Level
		default:
			return verdict{}
		}
	}
	if o.Amperes < max(leastAmperes, share*usual) {
		return verdict{known: true, value: o.Volts, limit: floor}
	}
	return b.below(HardShort, o.Volts, floor)
}

// leadOff: output on and volts present, but next to no current.
func (b *Board) leadOff(o *Observation, usual float64) verdict {
	limit := 0.03 * usual
	if limit == 0 {
		return verdict{}
	}
	if o.Volts < leastVolts {
		return verdict{known: true, value: o.Amperes, limit: limit}
	}
	return b.below(LeadOff, o.Amperes, limit)
}

// nearLimit is the share of the voltage set-point from which it counts as reached
// (common practice, no source).
const nearLimit = 0.98

// drift: the slow average left the corridor, a smaller shift stayed, or the volts
// rise and pop as they do over gathering gas. While the corridor is being learned a rise above the lowest level counts.
func (b *Board) drift() verdict {
	c := &b.m.Corridor
	if c.Count == 0 {
		return verdict{}
	}
	v := b.above(VoltageDrift, math.Abs(c.Departure()), c.Width(b.halfWidth()))
	v.over = v.over || c.Signal != 0 || c.Settled && b.popping()
	return v
}

// judgeSupply judges what concerns the instrument itself.
func (b *Board) judgeSupply(o *Observation, now time.Duration, fresh bool) {
	v, l := &b.verdicts, &b.limits
	v[OffFailed] = yes(o.OffFailed)
	v[PortShared] = yes(o.SharedWith != "")
	// A longer loss is supply-silent.
	v[LineLost] = verdict{known: true, over: o.LineLost > 0 && o.LineLost <= l.Silence, value: o.LineLost.Seconds(), limit: math.NaN()}
	v[SupplySilent] = b.above(SupplySilent, o.Silence.Seconds(), l.Silence.Seconds())
	v[MeterSilent] = b.above(MeterSilent, o.Meter.Silence.Seconds(), l.Silence.Seconds())
	v[MeterDisagrees] = verdict{}
	if m := &o.Meter; m.Unit != "" {
		v[MeterDisagrees] = b.above(MeterDisagrees, m.Apart, m.Allowed)
	}
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
	if !finite(float64(s.Volts)) {
		s.Volts = quantity.Maybe(o.SetVolts)
	}
	if !finite(float64(s.Amperes)) {
		s.Amperes = quantity.Maybe(o.SetAmperes)
	}
	if differs(o.SetAmperes, float64(s.Amperes)) {
		return verdict{known: true, over: true, value: o.SetAmperes, limit: float64(s.Amperes)}
	}
	return verdict{known: true, over: differs(o.SetVolts, float64(s.Volts)), value: o.SetVolts, limit: float64(s.Volts)}
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
	if b.m.Alarms[c].Raw {
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

// judgeCharge judges milestones and accounts of the run, and the watch itself.
func (b *Board) judgeCharge(o *Observation) {
	v, l := &b.verdicts, &b.limits
	v[GasVentilation] = b.above(GasVentilation, o.AirNeeded, o.AirStated)
	v[GapTooLong] = b.above(GapTooLong, o.Gap.Seconds(), l.Gap.Seconds())
	v[UncertaintyLarge] = b.above(UncertaintyLarge, 2*o.ChargeUncertainty, l.Uncertainty*o.Target)
	ahead := o.Charge - o.PlanCharge
	v[ChargeBehind] = b.above(ChargeBehind, -ahead, l.PlanFraction*o.Target)
	v[ChargeAhead] = verdict{}
	if b.m.Regulation != ConstantVoltage { // where the current creeps up by itself
		v[ChargeAhead] = b.above(ChargeAhead, ahead, l.PlanFraction*o.Target)
	}
	v[TargetReached] = b.above(TargetReached, o.Charge, o.Target)
	v[TargetReached].over = v[TargetReached].over || v[TargetReached].known && o.Charge == o.Target
	v[TargetNear] = b.targetNear(o)
	v[TimeLimit] = verdict{}
	if l.Run > 0 {
		v[TimeLimit] = b.above(TimeLimit, o.Elapsed.Seconds(), l.Run.Seconds())
	}
	v[MarginalEnergy] = b.above(MarginalEnergy, o.MarginalJoules, l.MarginalEnergy)

	v[LogDisk] = b.below(LogDisk, o.LogFree, l.LogBytes)
	if o.LogFailed {
		v[LogDisk] = yes(true)
	}
	v[LogAltered] = yes(o.LogAltered != "")
	v[PushBehind] = b.above(PushBehind, o.PushLag.Seconds(), l.PushLag.Seconds())
	v[NotificationUndeliverable] = b.above(NotificationUndeliverable, o.DeliveryLag.Seconds(), l.DeliveryLag.Seconds())
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
