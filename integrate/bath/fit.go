package bath

import (
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// Assay is a concentration that was measured during a run.
type Assay struct {
	Charge        float64       // C passed since the run began
	Seconds       float64       // under current since the run began
	Concentration matter.Figure // kg/m3; without a stated uncertainty ConcentrationDoubt holds
	Volume        float64       // m3 of liquid when it was taken; 0: the batch's volume less the samples so far
	Sampled       float64       // m3 taken out with it
}

// Fit is what assays say about the cell.
type Fit struct {
	MassTransfer matter.Figure // m/s
	Efficiency   matter.Figure // given to the fit, or found by it
	// AtLeast means that the bath never became poor enough to limit the current:
	// MassTransfer is then only a lower bound, and the plan may as well go on without a limit.
	AtLeast bool
	Misfit  float64 // root mean square of assayed less modelled, in standard uncertainties of the assays; well above 1: the model does not hold
}

// the range in which a mass transfer is looked for, m/s: a thousandth of a still bath to far beyond forced flow.
const (
	leastTransfer = 1e-9
	mostTransfer  = 1e-2
)

// FitTransfer finds the mass transfer that explains two or more assays, in order of
// time, by least squares weighted with their uncertainties. Between two assays the current
// counts as constant, and so does the volume, at the mean of its ends; samples take their metal with them, water
// comes and goes alone. Additions of metal between assays are refused: fit the stretch after the last one. With findEfficiency the efficiency of the first stage is found as well,
// which takes three assays, one of them before the bath became poor; else b.Efficiency
// is taken. molar is the metal's molar mass in kg/mol. The uncertainty is where the weighted sum of squares grows by 1,
// joined with that of the first assay, from which the model starts.
func FitTransfer(b Batch, molar float64, assays []Assay, findEfficiency bool) (Fit, error) {
	f := fitter{batch: b, molar: molar, findEfficiency: findEfficiency}
	if err := f.load(assays); err != nil {
		return Fit{}, fmt.Errorf("fitting the mass transfer to assays: %w", err)
	}
	logK := f.best()
	least, efficiency := f.misfit(logK)
	fit := Fit{Misfit: math.Sqrt(least / float64(len(f.assays)-1))}
	unlimited := f.profile(math.Log(mostTransfer))
	low := crossing(logK, math.Log(leastTransfer), least+1, f.profile)
	if unlimited-least < 1 {
		fit.AtLeast = true
		fit.MassTransfer = matter.Figure{Value: math.Exp(low), Mark: matter.Measured, Source: "lower bound from assays"}
	} else {
		high := crossing(logK, math.Log(mostTransfer), least+1, f.profile)
		k := math.Exp(logK)
		u := math.Hypot(k*(high-low)/2, f.startDoubt())
		fit.MassTransfer = matter.Figure{Value: k, StandardUncertainty: u, Mark: matter.Measured, Source: "fitted to assays"}
	}
	fit.Efficiency = matter.Figure{Value: efficiency, Mark: matter.Given}
	if findEfficiency {
		fit.Efficiency = matter.Figure{Value: efficiency, StandardUncertainty: f.efficiencyDoubt(logK, efficiency, least), Mark: matter.Measured, Source: "fitted to assays"}
	}
	return fit, nil
}

type fitter struct {
	batch          Batch
	molar          float64
	assays         []Assay
	findEfficiency bool
}

func (f *fitter) load(assays []Assay) error {
	need := 2
	if f.findEfficiency {
		need = 3
	}
	if len(assays) < need {
		return fmt.Errorf("%d are needed, and there are %d", need, len(assays))
	}
	if !(f.batch.Volume > 0) || !(f.batch.Area > 0) || f.batch.Valence < 1 || !(f.molar > 0) || !(f.batch.Efficiency > 0 && f.batch.Efficiency <= 1) {
		return fmt.Errorf("volume, cathode area, valence, molar mass and an efficiency up to 1 are needed")
	}
	for i, a := range assays {
		if !(a.Concentration.Value > 0) {
			return fmt.Errorf("assay %d: a concentration above zero is needed, not %s", i+1, quantity.Short(quantity.MassConcentration, a.Concentration.Value, 4))
		}
		if i > 0 && !(a.Seconds > assays[i-1].Seconds && a.Charge > assays[i-1].Charge) {
			return fmt.Errorf("assay %d: its time and charge have to be beyond those of assay %d", i+1, i)
		}
		if err := f.loadVolume(i, &a); err != nil {
			return err
		}
		a.Concentration = doubted(a.Concentration, ConcentrationDoubt)
		f.assays = append(f.assays, a)
	}
	return f.checkMetal()
}

// loadVolume fills in the liquid at an assay and checks it.
func (f *fitter) loadVolume(i int, a *Assay) error {
	if a.Volume == 0 {
		a.Volume = f.batch.Volume
		if i > 0 {
			a.Volume = f.assays[i-1].Volume - f.assays[i-1].Sampled
		}
	}
	if !(a.Volume > 0) || math.IsInf(a.Volume, 0) || !(a.Sampled >= 0 && a.Sampled < a.Volume) {
		return fmt.Errorf("assay %d: a volume above zero, and a sample smaller than that, are needed, not %s and %s", i+1, quantity.Short(quantity.Volume, a.Volume, 4), quantity.Short(quantity.Volume, a.Sampled, 4))
	}
	return nil
}

// checkMetal refuses assays between which metal came in, and those between which none left.
func (f *fitter) checkMetal() error {
	drop := 0.0 // kg
	for i := 1; i < len(f.assays); i++ {
		before, a := f.assays[i-1], f.assays[i]
		had, has := before.Concentration.Value*(before.Volume-before.Sampled), a.Concentration.Value*a.Volume
		if doubt := math.Hypot(had*before.Concentration.Relative(), has*a.Concentration.Relative()); has-had > 3*doubt {
			return fmt.Errorf("assay %d finds %.4g g in the bath, and assay %d left %.4g g there: metal was added in between; fit only the assays after the last addition", i+1, has*1e3, i, had*1e3)
		}
		drop += had - has
	}
	if first, last := f.assays[0].Concentration, f.assays[len(f.assays)-1].Concentration; drop <= 0 {
		return fmt.Errorf("the last assay, %.4g g/L, is not below the first, %.4g g/L, in metal that the cathode could have taken: nothing was deposited", last.Value, first.Value)
	}
	return nil
}

// residuals returns assayed less modelled concentrations in kg/m3.
func (f *fitter) residuals(logK, efficiency float64) []float64 {
	b := f.batch
	b.MassTransfer, b.Efficiency = math.Exp(logK), efficiency
	mol := f.assays[0].Concentration.Value * f.assays[0].Volume / f.molar
	out := make([]float64, 0, len(f.assays)-1)
	for i := 1; i < len(f.assays); i++ {
		before, a := f.assays[i-1], f.assays[i]
		seconds := a.Seconds - before.Seconds
		amperes := (a.Charge - before.Charge) / seconds
		rest := before.Volume - before.Sampled
		mol *= rest / before.Volume
		b.Volume = (rest + a.Volume) / 2
		won, lost := b.Take(mol, amperes, seconds)
		mol -= won + lost
		out = append(out, a.Concentration.Value-mol*f.molar/a.Volume)
	}
	return out
}

func (f *fitter) squares(logK, efficiency float64) float64 {
	var sum float64
	for i, r := range f.residuals(logK, efficiency) {
		z := r / f.assays[i+1].Concentration.StandardUncertainty
		sum += z * z
	}
	return sum
}

// misfit returns the least sum of squares at a mass transfer, and the efficiency it takes.
func (f *fitter) misfit(logK float64) (squares, efficiency float64) {
	if !f.findEfficiency {
		return f.squares(logK, f.batch.Efficiency), f.batch.Efficiency
	}
	efficiency = golden(0.005, 1, func(e float64) float64 { return f.squares(logK, e) })
	return f.squares(logK, efficiency), efficiency
}

// profile is the least sum of squares at a mass transfer.
func (f *fitter) profile(logK float64) float64 {
	squares, _ := f.misfit(logK)
	return squares
}

func (f *fitter) best() float64 {
	return valley(math.Log(leastTransfer), math.Log(mostTransfer), f.profile)
}

// valley scans for the lowest valley, so that a flat stretch cannot trap the search, and then narrows it down.
func valley(low, high float64, misfit func(float64) float64) float64 {
	const points = 160
	width := (high - low) / points
	at, least := low, math.Inf(1)
	for i := range points + 1 {
		x := low + float64(i)*width
		if s := misfit(x); s < least {
			at, least = x, s
		}
	}
	return golden(math.Max(at-width, low), math.Min(at+width, high), misfit)
}

// crossing finds where the misfit reaches a level on the way from the best fit to an edge, or the edge.
func crossing(from, edge, level float64, misfit func(float64) float64) float64 {
	if misfit(edge) < level {
		return edge
	}
	return border(from, edge, func(x float64) bool { return misfit(x) < level })
}

// border narrows down, between a place inside and one outside, where holds ends, and returns the last place at which it does.
func border(inside, outside float64, holds func(float64) bool) float64 {
	for {
		middle := inside + (outside-inside)/2
		switch {
		case middle == inside || middle == outside:
			return inside
		case holds(middle):
			inside = middle
		default:
			outside = middle
		}
	}
}

// startDoubt is how far the fit moves, in m/s, when the first assay moves by its standard uncertainty.
func (f *fitter) startDoubt() float64 {
	moved := func(sign float64) float64 {
		shifted := *f
		shifted.assays = append([]Assay(nil), f.assays...)
		shifted.assays[0].Concentration.Value += sign * shifted.assays[0].Concentration.StandardUncertainty
		return math.Exp(shifted.best())
	}
	return math.Abs(moved(1)-moved(-1)) / 2
}

func (f *fitter) efficiencyDoubt(logK, efficiency, least float64) float64 {
	edge := func(to float64) float64 {
		return border(efficiency, to, func(e float64) bool { return f.squares(logK, e) < least+1 })
	}
	start, end := f.assays[0].Concentration, f.assays[len(f.assays)-1]
	drop := start.Value - end.Concentration.Value*end.Volume/f.assays[0].Volume
	return math.Hypot((edge(1)-edge(0.001))/2, efficiency*start.StandardUncertainty/drop)
}

// golden finds the place of the least value of a function with one valley between low and high.
func golden(low, high float64, of func(float64) float64) float64 {
	const ratio = 0.6180339887498949
	a, b := high-ratio*(high-low), low+ratio*(high-low)
	atA, atB := of(a), of(b)
	for range 90 {
		if atA < atB {
			high, b, atB = b, a, atA
			a = high - ratio*(high-low)
			atA = of(a)
		} else {
			low, a, atA = a, b, atB
			b = low + ratio*(high-low)
			atB = of(b)
		}
	}
	return (low + high) / 2
}
