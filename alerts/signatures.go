package alerts

import (
	"math"
	"time"
)

// The figures by which signatures are told apart are common practice, no source,
// tuned against the fire drill of the daemon.
const (
	dipsIn        = 3600.0 // s in which excursions are counted
	calmIn        = 1800.0 // s without any that count as calm
	dipsEnough    = 3      // so many of them are no chance
	softShort     = 180.0  // s: a sudden fall that lasts so long is a bridge that stays
	softDepth     = 0.03   // of the level
	softStays     = 0.75   // of its deepest: a bridge does not grow back
	steadyWithin  = 0.05   // the held quantity counts as steady within this, relative
	noiseUp       = 1.7    // noise against what was learned
	noiseDown     = 0.63   // likewise, with a step of volts to confirm it
	noiseGone     = 0.45   // likewise, without one
	noiseSame     = 1.6
	jumpVolts     = 0.35  // V: an anode that passivates jumps by at least this
	ohmicVolts    = 0.08  // V: less of a slow rise is not worth a night's sleep
	ohmicRelative = 0.02  // of the corridor's centre, likewise
	ohmicSlope    = 0.02  // V/h
	contactVolts  = 0.03  // V: a rise that a bad joint makes, with noise
	stirVolts     = 0.008 // V: the step of a starved surface
	grownBy       = 1.03  // a current that has not grown by this is not running away
	fastestGrowth = 1.5   // per hour: e-fold growth of the growth
	depletedVolts = 0.2   // V: hydrogen takes over
	nearlyEmpty   = 0.6   // of the limiting current
)

// whisker: dips that come back, or a sudden fall that stays above the floor.
func (b *Board) whisker(o *Observation) verdict {
	e := &b.m.Excursions
	if !e.Known {
		return verdict{}
	}
	dips, spikes := e.Dips.Within(e.LastAt, dipsIn), e.Spikes.Within(e.LastAt, dipsIn)
	over := dips >= dipsEnough && dips > spikes
	stays := e.Side < 0 && e.LastAt-e.Since > softShort && e.Least < softStays*e.Deepest
	if stays && e.Deepest < -softDepth*math.Abs(e.Level) && b.isSteady(o) {
		over = true
	}
	if short := &b.m.Alarms[HardShort]; !b.m.Alarms[Whisker].Raw && (short.Active || b.verdicts[HardShort].over) {
		over = false // it is no longer likely to follow: it is here
	}
	return verdict{known: true, over: over || b.m.Alarms[Whisker].Raw && dips > 0 && dips > spikes, value: float64(dips), limit: dipsEnough}
}

// isSteady tells whether the held quantity is where it is meant to be at this moment.
func (b *Board) isSteady(o *Observation) bool {
	held, meant := o.Amperes, b.usual()
	if b.m.Regulation == ConstantVoltage {
		held, meant = o.Volts, b.m.Steady
	}
	return meant > 0 && math.Abs(held/meant-1) < steadyWithin
}

// contact: spikes that come back, or a rise that creeps on with much more noise than was learned.
func (b *Board) contact() verdict {
	e, f := &b.m.Excursions, &b.m.Features
	dips, spikes := e.Dips.Within(e.LastAt, dipsIn), e.Spikes.Within(e.LastAt, dipsIn)
	limit := b.inSignal(contactVolts)
	flicker := spikes >= dipsEnough && spikes >= dips
	creeping := f.Known && f.Noise > noiseUp && f.Rise > limit && f.Tail > 0.1*f.Rise && f.Jump < 0.7*f.Rise && b.pops() == 0
	held := b.m.Alarms[Contact].Raw && (spikes > 0 && spikes >= dips || f.Noise > noiseUp/2+0.5 && f.Rise > 0)
	return verdict{known: e.Known, over: flicker || creeping || held, value: f.Rise, limit: limit}
}

// pops counts how often gas that gathered has escaped lately; zero while other
// excursions are more.
func (b *Board) pops() int {
	e := &b.m.Excursions
	pops := e.Pops.Within(e.LastAt, dipsIn)
	if pops <= e.Dips.Within(e.LastAt, dipsIn)+e.Spikes.Within(e.LastAt, dipsIn) {
		return 0
	}
	return pops
}

// popping tells whether gas gathers somewhere and escapes again and again.
func (b *Board) popping() bool { return b.pops() > dipsEnough }

// inSignal turns a voltage change into the unit of the signal. At constant voltage it
// is the change of current that the same cause makes: the slope resistance of a cell is about its voltage above the
// floor over its current.
func (b *Board) inSignal(volts float64) float64 {
	if b.m.Regulation != ConstantVoltage || b.m.Steady <= 0 {
		return volts
	}
	above := b.m.Steady - b.chemistry.FloorVolts
	if !(above > b.m.Steady/4) { // no floor known, or close to it
		above = b.m.Steady / 2
	}
	return volts * b.usual() / above
}

// stirrer: the noise floor changed, with a step of volts that then stays, or fell for
// long without one; and no excursions.
func (b *Board) stirrer(now time.Duration) verdict {
	f, e := &b.m.Features, &b.m.Excursions
	if !f.Known || !b.m.Corridor.Settled {
		return verdict{}
	}
	v := verdict{known: true, value: f.Noise, limit: noiseDown}
	calm := e.Dips.Within(e.LastAt, calmIn) == 0 && e.Spikes.Within(e.LastAt, calmIn) == 0 && b.pops() == 0
	if !calm || b.stuck() {
		return v
	}
	flat := math.Abs(f.Tail) < 0.25*math.Abs(f.Recent)+f.Grain
	after := now.Seconds() - f.JumpAt
	stepped := f.Jump > f.Grain && f.Jump > b.inSignal(stirVolts) && f.Jump > 0.6*f.Recent && f.Recent > 0 && f.Jump < b.inSignal(0.5) && flat && after > 360
	v.over = stepped && (f.Noise < noiseDown || f.Noise > noiseUp) || flat && f.LongNoise < noiseGone
	if b.m.Alarms[StirrerStopped].Raw {
		v.over = f.Noise < noiseDown+0.15 || f.Noise > noiseUp-0.3
	}
	return v
}

// stuck tells whether the readings have stopped changing, so that their lack of noise
// means nothing.
func (b *Board) stuck() bool { return b.m.Repeats.Pending > 0 && b.m.Repeats.lively() }

// ohmic: a slow rise at a steady current, without a jump and without more noise.
func (b *Board) ohmic() verdict {
	f, c := &b.m.Features, &b.m.Corridor
	if !f.Known || !c.Settled {
		return verdict{}
	}
	limit := max(b.inSignal(ohmicVolts), ohmicRelative*math.Abs(c.Centre))
	v := b.above(OhmicRise, f.Rise, limit)
	if b.m.Alarms[OhmicRise].Raw {
		v.over = f.Rise > limit/2
		return v
	}
	v.over = v.over && f.Slope > b.inSignal(ohmicSlope) && f.Slope > 4*f.SlopeU &&
		!b.popping() && f.Jump < 0.5*f.Rise && f.Noise < noiseSame && math.Abs(f.Shift) < steadyWithin && !b.emptying()
	return v
}

// emptying tells whether a rise is what the metal shows when it runs out.
func (b *Board) emptying() bool { return b.m.Emptying }

// depletion: the model says that more current flows than the metal left can carry,
// or the volts show hydrogen taking over where the metal shows that.
func (b *Board) depletion(o *Observation) verdict {
	b.m.Emptying = b.chemistry.DepletionVisible && finite(o.LimitingRatio) && o.LimitingRatio > nearlyEmpty
	v := b.above(Depletion, o.LimitingRatio, b.limits.DepletionRate)
	if b.m.Emptying && b.m.Features.Known && b.m.Features.Rise > b.inSignal(depletedVolts) {
		v.over = true
	}
	return v
}

// passivation: a jump of volts, or the limit reached by one, with the current fallen
// but not gone; at constant voltage a current that collapses in the same way.
func (b *Board) passivation(o *Observation, usual float64) verdict {
	f := &b.m.Features
	if !f.Known || usual <= 0 {
		return verdict{}
	}
	limit := b.inSignal(jumpVolts)
	jump, over := f.Jump, f.Jump > limit && f.Rise > limit/2
	if b.m.Alarms[AnodePassivation].Raw {
		over = f.Rise > limit/2
	}
	if b.m.Regulation == ConstantCurrent && modeOf(o) == ConstantVoltage { // at the limit already: the blocks come too late
		jump = o.Volts - b.mean(0, 3)
		over = over || jump > limit
	}
	return verdict{known: true, over: over && o.Amperes > 0.03*usual && !b.emptying() && !b.popping(), value: jump, limit: limit}
}

// runaway: at constant voltage the current grows, and at this growth, which itself
// grows or dies down exponentially, it will be at its limit soon.
func (b *Board) runaway(o *Observation) verdict {
	f := &b.m.Features
	if b.m.Regulation != ConstantVoltage || !f.Known {
		return verdict{}
	}
	limit := least(o.SetAmperes, o.LimitAmperes, b.limits.Amperes)
	v := b.below(ThermalRunaway, f.timeTo(limit-o.Amperes), b.limits.Runaway.Seconds())
	grows := f.Growth > 4*f.GrowthU && f.Before > 0 && o.Amperes > grownBy*b.m.Usual && b.m.Usual > 0
	v.over = v.over && (grows || b.m.Alarms[ThermalRunaway].Raw)
	return v
}

// timeTo projects, in seconds, when the current will have grown by rise amperes. With the
// growth G now and B twenty minutes ago, k = ln(G/B)/20 min, and t = ln(1 + k·rise/G)/k; a growth that dies
// down before reaching it never does. k is held to what a warming bath can do, so that one noisy figure promises no disaster.
func (f *features) timeTo(rise float64) float64 {
	const never = 1e9
	switch {
	case rise <= 0:
		return 0
	case f.Growth <= 0 || math.IsInf(rise, 1):
		return never
	}
	k := fastestGrowth
	if f.Before > 0 {
		k = math.Min(math.Log(f.Growth/f.Before)*3, fastestGrowth)
	}
	hours := rise / f.Growth
	if math.Abs(k) > 1e-6 {
		hours = math.Log1p(k*rise/f.Growth) / k // NaN when it dies down first
	}
	if !(hours < never/perHour) {
		return never
	}
	return hours * perHour
}

// least returns the smallest of the known values, or +Inf.
func least(values ...float64) float64 {
	l := math.Inf(1)
	for _, v := range values {
		if finite(v) {
			l = math.Min(l, v)
		}
	}
	return l
}
