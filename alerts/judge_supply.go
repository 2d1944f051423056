package alerts

import "math"

// judgeSupply judges what concerns the instrument itself.
func (b *Board) judgeSupply(o *Observation, fresh bool) {
	v, l := &b.verdicts, &b.limits
	v[OffFailed] = yes(o.OffFailed)
	v[SupplySilent] = b.above(SupplySilent, o.Silence.Seconds(), l.Silence.Seconds())
	if !fresh {
		for _, c := range [...]Condition{MainsInterruption, ProtectionTripped, OutputOff, SetPointsChanged, ReadingFrozen} {
			v[c] = verdict{}
		}
		return
	}
	v[MainsInterruption] = yes(o.Restarted)
	v[ProtectionTripped] = yes(o.Tripped != "")
	v[OutputOff] = yes(o.Output == OutputIsOff && b.m.WasOn && !o.OffExpected)
	if o.Output == OutputIsOn {
		b.m.WasOn = true
	}
	v[SetPointsChanged] = b.setPoints(o)
}

// setPoints compares the supply's set-points with those the run began with.
func (b *Board) setPoints(o *Observation) verdict {
	if !finite(o.SetAmperes) && !finite(o.SetVolts) {
		return verdict{}
	}
	s := &b.m.Set
	if !s.Known {
		*s = setPoints{Known: true, Volts: number(o.SetVolts), Amperes: number(o.SetAmperes)}
	}
	if differs(o.SetAmperes, s.Amperes.float()) {
		return verdict{known: true, over: true, value: o.SetAmperes, limit: s.Amperes.float()}
	}
	return verdict{known: true, over: differs(o.SetVolts, s.Volts.float()), value: o.SetVolts, limit: s.Volts.float()}
}

// differs tells whether two set-points are different by more than a display rounds:
// 0.5 % and a milliunit (common practice, no source).
func differs(a, b float64) bool {
	return math.Abs(a-b) > 0.001+0.005*math.Abs(b)
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
