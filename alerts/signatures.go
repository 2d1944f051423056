package alerts

import (
	"math"
	"time"

	"nightcell/alerts/trend"
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
	leadVolts     = 0.1   // V: leads that take so much more than before have a bad joint
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

// contact: spikes that come back, or a rise that creeps on with much more noise than was learned; or leads that take more than before, outside a
// second meter's wires at the cell, where nothing of it shows in the cell voltage.
func (b *Board) contact(o *Observation) verdict {
	e, f := &b.m.Excursions, &b.m.Features
	dips, spikes := e.Dips.Within(e.LastAt, dipsIn), e.Spikes.Within(e.LastAt, dipsIn)
	limit := b.inSignal(contactVolts)
	if lost := o.Meter.LeadVolts; lost > leadVolts || b.m.Alarms[Contact].Raw && lost > leadVolts/2 {
		return verdict{known: true, over: true, value: lost, limit: leadVolts}
	}
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
	stuck := b.m.Repeats.Pending > 0 && b.m.Repeats.lively() // readings that stopped changing have no noise
	if !calm || stuck {
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
		!b.popping() && f.Jump < 0.5*f.Rise && f.Noise < noiseSame && math.Abs(f.Shift) < steadyWithin && !b.m.Emptying
	return v
}

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
		jump = o.Volts - b.mean(0)
		over = over || jump > limit
	}
	return verdict{known: true, over: over && o.Amperes > 0.03*usual && !b.m.Emptying && !b.popping(), value: jump, limit: limit}
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

// features are what the last blocks say about the cell, worked out anew with each
// block. "Signal" is what the corridor is made of: volts at constant current, amperes counted negative
// at constant voltage; a rise always means that the cell conducts worse.
type features struct {
	Known       bool
	Rise        float64 // of the last three blocks above the corridor's centre, signal units
	Slope       float64 // over the last hour, signal units per hour
	SlopeU      float64 // its standard uncertainty, by ordinary least squares
	Early, Late float64 // slopes of the first and the second half of the last two hours; Late is Slope
	BendU       float64 // standard uncertainty of Late − Early
	Jump        float64 // largest change within four blocks during the last half hour, signed, signal units
	JumpAt      float64 // when, s on the run's time
	Recent      float64 // change of the signal over the last half hour
	Tail        float64 // change of the signal over the last five minutes
	Grain       float64 // what of Tail and Jump is chance: three sigma of a mean of three blocks
	Noise       float64 // noise of the last minutes over learned noise
	LongNoise   float64 // the same over the last quarter of an hour
	Shift       float64 // of the steady quantity against what was learned, relative
	Growth      float64 // of the current over the last 20 min, A/h
	GrowthU     float64 // its standard uncertainty
	Before      float64 // the same over the 20 min before
}

// leastNoise is added to a noise before a ratio is taken, so that the last digit of a
// meter makes no ratio: half of that digit, all of it where the noise learned hides below
// it, and at least 0.3 mV or 0.3 mA (common practice, no source).
func (b *Board) leastNoise() float64 {
	digit := b.m.Repeats.StepVolts
	if b.m.Regulation == ConstantVoltage {
		digit = b.m.Repeats.StepAmperes
	}
	if b.m.Noise > digit/2 {
		digit /= 2
	}
	return math.Max(0.0003, digit)
}

// learn keeps the noise and the current that belong to the corridor, at the block that settled it.
func (b *Board) learn() {
	var noise, amperes, steady [trend.Learned]float64
	h := &b.m.History
	n := min(len(h.Blocks), trend.Learned)
	for i := range n {
		k := h.Last(i)
		noise[i], amperes[i], steady[i] = b.noise(k), float64(k.Amperes), b.steady(k)
	}
	b.m.Usual = trend.Median(amperes[:n])
	b.m.Noise = trend.Median(noise[:n])
	b.m.Steady = trend.Median(steady[:n])
}

// noise is that of the signal, in its units.
func (b *Board) noise(k *trend.Block) float64 {
	if b.m.Regulation == ConstantVoltage {
		return float64(k.NoiseAmperes)
	}
	return float64(k.NoiseVolts)
}

// steady is the quantity that the supply holds.
func (b *Board) steady(k *trend.Block) float64 {
	if b.m.Regulation == ConstantVoltage {
		return float64(k.Volts)
	}
	return float64(k.Amperes)
}

// fit is the line of the signal over the closed blocks of an age in [to, from) minutes.
func (b *Board) fit(from, to float64) trend.Line {
	return b.m.History.Fit(b.signal, from*60, to*60)
}

const perHour = 3600

// look works out the features after a block has closed.
func (b *Board) look() {
	h, c := &b.m.History, &b.m.Corridor
	if len(h.Blocks) < 6 || c.Count == 0 {
		b.m.Features = features{}
		return
	}
	level := b.mean(0)
	f := features{Known: true, Rise: level - c.Centre}
	hour, early := b.fit(60, 0), b.fit(120, 60)
	f.Slope, f.SlopeU = number0(hour.Slope()*perHour), number0(hour.SlopeUncertainty()*perHour)
	f.Early, f.Late = f.Slope, f.Slope
	if early.N >= 10 {
		f.Early = number0(early.Slope() * perHour)
		f.BendU = number0(math.Hypot(early.SlopeUncertainty(), hour.SlopeUncertainty()) * perHour)
	}
	f.Jump, f.JumpAt = b.jump()
	if len(h.Blocks) >= 8 {
		f.Tail = level - b.mean(5)
		f.Recent = level - b.mean(min(len(h.Blocks), 33)-3)
	}
	f.Grain = 3 * math.Hypot(c.Sigma, b.recentNoise(5)) / math.Sqrt(3)
	now, before := h.Fit(trend.Amperes, 20*60, 0), h.Fit(trend.Amperes, 40*60, 20*60)
	f.Growth, f.GrowthU = number0(now.Slope()*perHour), number0(now.SlopeUncertainty()*perHour)
	f.Before = number0(before.Slope() * perHour)
	if c.Settled {
		least := b.leastNoise()
		f.Noise = (b.recentNoise(8) + least) / (b.m.Noise + least)
		f.LongNoise = (b.recentNoise(15) + least) / (b.m.Noise + least)
		f.Shift = number0(b.meanOf(b.steady, 0)/b.m.Steady - 1)
	}
	b.m.Features = f
}

// mean is that of the signal over three blocks, the newest of which is back blocks old.
func (b *Board) mean(back int) float64 { return b.meanOf(b.signal, back) }

func (b *Board) meanOf(q trend.Quantity, back int) (mean float64) {
	const blocks = 3
	for i := range blocks {
		mean += q(b.m.History.Last(back + i))
	}
	return mean / blocks
}

// jump finds the largest change between two means of three blocks, four apart, during the last half hour.
func (b *Board) jump() (size, at float64) {
	h := &b.m.History
	for i := range min(len(h.Blocks)-7, 30) {
		d := b.mean(i) - b.mean(i+4)
		if math.Abs(d) > math.Abs(size) {
			size, at = d, h.Last(i+3).At
		}
	}
	return size, at
}

// recentNoise is the median over the last n blocks, at most 15, so that one spike is not noise.
func (b *Board) recentNoise(n int) float64 {
	var noise [15]float64
	n = min(len(b.m.History.Blocks), n)
	for i := range n {
		noise[i] = b.noise(b.m.History.Last(i))
	}
	return trend.Median(noise[:n])
}

// number0 makes what could not be worked out zero, so that a memory holds only numbers.
func number0(x float64) float64 {
	if !finite(x) {
		return 0
	}
	return x
}
