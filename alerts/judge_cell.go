package alerts

import (
	"math"
	"time"
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
		return
	}
	usual := b.usual()
	v[HardShort] = b.hardShort(o, usual)
	v[LeadOff] = b.leadOff(o, usual)
	v[OverCurrent] = b.above(OverCurrent, o.Amperes, l.Amperes)
	v[CurrentDensity] = b.above(CurrentDensity, o.Amperes/l.CathodeSquareMetres, l.AmperesPerSquareMetre)
	v[OverVoltage] = b.above(OverVoltage, o.Volts, l.Volts)
	v[ModeFlip] = b.modeFlip(o)
	v[VoltageLimit] = b.voltageLimit(o)
	v[Whisker] = b.whisker(o)
	v[Depletion] = b.depletion(o)
	v[ThermalRunaway] = b.runaway(o)
	v[AnodePassivation] = b.passivation(o, usual)
	v[Contact] = b.contact()
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
		case a.Active && finite(a.Limit.float()):
			floor = a.Limit.float() // the level follows what lasts, the short does not end by that
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

// modeFlip: the supply holds another quantity than the run is meant to have.
func (b *Board) modeFlip(o *Observation) verdict {
	mode := modeOf(o)
	if b.m.Regulation == ModeUnknown || mode == ModeUnknown {
		return verdict{}
	}
	return yes(mode != b.m.Regulation)
}

// nearLimit is the share of the voltage set-point from which it counts as reached
// (common practice, no source).
const nearLimit = 0.98

// voltageLimit: volts just under the set-point of a supply that is to hold current.
func (b *Board) voltageLimit(o *Observation) verdict {
	if b.m.Regulation != ConstantCurrent {
		return verdict{}
	}
	return b.above(VoltageLimit, o.Volts, nearLimit*o.SetVolts)
}

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
