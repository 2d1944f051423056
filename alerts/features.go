package alerts

import (
	"math"

	"nightcell/alerts/trend"
)

// features are what the last blocks say about the cell, worked out anew with each
// block. "Signal" is what the corridor is made of: volts at constant current, amperes counted negative
// at constant voltage; a rise always means that the cell conducts worse.
type features struct {
	Known       bool
	Rise        float64 // of the last three blocks above the corridor's centre, signal units
	Relative    float64 // Rise over the size of the centre
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
	n := min(h.Len(), trend.Learned)
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
	q := trend.Volts
	if b.m.Regulation == ConstantVoltage {
		q = negativeAmperes
	}
	return b.m.History.Fit(q, from*60, to*60)
}

func negativeAmperes(k *trend.Block) float64 { return -float64(k.Amperes) }

const perHour = 3600

// look works out the features after a block has closed.
func (b *Board) look() {
	h, c := &b.m.History, &b.m.Corridor
	f := features{}
	if h.Len() < 6 || c.Count == 0 {
		b.m.Features = f
		return
	}
	f.Known = true
	level := b.mean(0, 3)
	f.Rise = level - c.Centre
	f.Relative = f.Rise / math.Max(math.Abs(c.Centre), 1e-9)
	hour, early := b.fit(60, 0), b.fit(120, 60)
	f.Slope, f.SlopeU = number0(hour.Slope()*perHour), number0(hour.SlopeUncertainty()*perHour)
	f.Early, f.Late = f.Slope, f.Slope
	if early.N >= 10 {
		f.Early = number0(early.Slope() * perHour)
		f.BendU = number0(math.Hypot(early.SlopeUncertainty(), hour.SlopeUncertainty()) * perHour)
	}
	f.Jump, f.JumpAt = b.jump()
	if h.Len() >= 8 {
		f.Tail = level - b.mean(5, 3)
	}
	if n := h.Len(); n >= 8 {
		f.Recent = level - b.mean(min(n, 33)-3, 3)
	}
	f.Grain = 3 * math.Hypot(c.Sigma, b.recentNoise(5)) / math.Sqrt(3)
	now, before := h.Fit(trend.Amperes, 20*60, 0), h.Fit(trend.Amperes, 40*60, 20*60)
	f.Growth, f.GrowthU = number0(now.Slope()*perHour), number0(now.SlopeUncertainty()*perHour)
	f.Before = number0(before.Slope() * perHour)
	if c.Settled {
		least := b.leastNoise()
		f.Noise = (b.recentNoise(8) + least) / (b.m.Noise + least)
		f.LongNoise = (b.recentNoise(15) + least) / (b.m.Noise + least)
		f.Shift = number0(b.meanOf(b.steady, 0, 3)/b.m.Steady - 1)
	}
	b.m.Features = f
}

// mean returns the mean signal of n blocks, the newest of which is back blocks old.
func (b *Board) mean(back, n int) float64 { return b.meanOf(b.signal, back, n) }

func (b *Board) meanOf(q trend.Quantity, back, n int) float64 {
	var sum float64
	for i := back; i < back+n; i++ {
		sum += q(b.m.History.Last(i))
	}
	return sum / float64(n)
}

// jump finds the largest change between two means of three blocks, four apart, during the last half hour.
func (b *Board) jump() (size, at float64) {
	h := &b.m.History
	for i := range min(h.Len()-7, 30) {
		d := b.mean(i, 3) - b.mean(i+4, 3)
		if math.Abs(d) > math.Abs(size) {
			size, at = d, h.Last(i+3).At
		}
	}
	return size, at
}

// recentNoise is the median over the last n blocks, at most 15, so that one spike is not noise.
func (b *Board) recentNoise(n int) float64 {
	var noise [15]float64
	n = min(b.m.History.Len(), n)
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
