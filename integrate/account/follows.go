package account

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"

	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// over divides a mass by what a charge can give at most.
func (a *Account) over(mass matter.Figure, coulombs, u float64) matter.Figure {
	e := a.Plan.Metal.Equivalent(a.Plan.Valence)
	most := coulombs * e.Value
	share := matter.Ratio(mass, matter.Figure{Value: most, StandardUncertainty: most * math.Hypot(u/coulombs, e.Relative())})
	share.Source = mass.Source
	return share
}

// efficiency is the share of the charge that made metal, over all and by stage.
func (a *Account) efficiency(b *book) {
	t := a.Totals
	if !(t.Charge > 0) {
		return
	}
	measured := Combine(a.Masses[0].Deposit, a.Masses[1].Deposit)
	if measured.Count == 2 && !measured.Consistent() {
		measured.Mean = a.Masses[0].Deposit
	}
	if measured.Count > 0 {
		a.Efficiency = a.over(measured.Mean, t.Charge, t.StandardUncertainty)
		if far := a.Efficiency.Value - 1; far > integrate.CoverageFactor*a.Efficiency.StandardUncertainty {
			a.Notes = append(a.Notes, "the current efficiency is above 100 % by more than its uncertainty: salt or water in the deposit, another metal, another valence, or a slip")
		}
	}
	if a.Deposit.Known() {
		a.EnergyPerMass = matter.Ratio(a.Energy, a.Deposit)
	}
	a.marginal()
	if len(b.assays) == 0 {
		return
	}
	before, rest, stated := a.start(b)
	for _, x := range rest {
		if q := x.Charge - before.Charge; q > 0 {
			won := a.won(before, x, stated)
			a.Stages = append(a.Stages, Stage{before.At, x.At, q, won, a.over(won, q, t.StandardUncertainty*q/t.Charge)})
		}
		before, stated = x, false
	}
}

// marginal is the efficiency of the last moment under current: by the fit to the assays where there is one, else as stated.
func (a *Account) marginal() {
	p, batch := a.Plan, a.Plan.Model.Batch()
	m := matter.Figure{Mark: matter.Weakest(p.Efficiency.Mark, p.MassTransfer.Mark), Source: "drawdown as stated"}
	relative := p.Efficiency.Relative()
	if f := a.Fit; f != nil && !f.AtLeast {
		batch.MassTransfer, batch.Efficiency = f.MassTransfer.Value, f.Efficiency.Value
		m.Mark, m.Source, relative = matter.Measured, "drawdown as fitted", math.Max(f.MassTransfer.Relative(), f.Efficiency.Relative())
	}
	for _, point := range slices.Backward(a.Course) {
		if point.MinAmperes > leastShare*a.Run.mostAmperes && point.MinAmperes > 0 {
			m.Value = batch.Marginal(p.Model.Catholyte().Metal(), point.MinAmperes)
			m.StandardUncertainty = m.Value * relative
			a.Marginal = m
			return
		}
	}
}

// balance closes the books of the metal.
func (a *Account) balance(b *book) {
	p := a.Plan
	book := p.Model.Catholyte()
	drawn := matter.Figure{Value: book.Sampled * b.molar, StandardUncertainty: book.Sampled * b.molar * bath.ConcentrationDoubt, Mark: matter.Assumed, Source: "sample volumes times the concentration then"}
	supplied := matter.Figure{Value: book.Supplied * b.molar, StandardUncertainty: p.Amount.StandardUncertainty, Mark: p.Amount.Mark}
	m := &Balance{Supplied: supplied, Samples: drawn, Deposit: a.Deposit}
	if kg := book.Anode() * b.molar; kg != 0 {
		m.Anode = matter.Figure{Value: kg, StandardUncertainty: math.Abs(kg) / 2, Mark: matter.Assumed, Source: "by the model of the anode"}
	}
	if u := book.Crossing; u.High > 0 {
		each := (a.Totals.Charge - b.shunted) / matter.Faraday * b.molar
		m.Crossed = matter.Figure{Value: book.Across() * b.molar, Low: u.Low * each, High: u.High * each, StandardUncertainty: u.Doubt() * each, Mark: matter.Assumed, Source: "common practice, no source"}
	}
	rest := supplied.Value - drawn.Value - a.Deposit.Value - m.Anode.Value - m.Crossed.Value
	u := math.Hypot(supplied.StandardUncertainty, math.Hypot(math.Hypot(math.Hypot(drawn.StandardUncertainty, m.Crossed.StandardUncertainty), m.Anode.StandardUncertainty), a.Deposit.StandardUncertainty))
	m.Left = matter.Figure{Value: rest, StandardUncertainty: u, Mark: matter.Weakest(supplied.Mark, a.Deposit.Mark), Source: "what remains"}
	if len(b.assays) > 0 {
		m.Left = p.Left()
		m.Left.Mark, m.Left.Source = matter.Measured, "account and assays weighed, followed since"
		m.Unaccounted = matter.Figure{Value: rest - m.Left.Value, StandardUncertainty: math.Hypot(u, m.Left.StandardUncertainty), Mark: matter.Measured, Source: "supplied less all others"}
	} else if rest < -far*u {
		a.Notes = append(a.Notes, fmt.Sprintf("the deposit is %.4g g more than the bath held", -rest*1e3))
	}
	a.Balance = m
}

// fit finds mass transfer and efficiency from the assays since metal was last added.
func (a *Account) fit(b *book) {
	if len(b.assays) == 0 {
		return
	}
	first, rest, stated := a.start(b)
	all := append([]assay{first}, rest...)
	for i := len(all) - 1; i > 0; i-- {
		if all[i].Supplied > all[i-1].Supplied*(1+1e-9) {
			all = all[i:]
			break
		}
	}
	var points []bath.Assay
	for i, x := range all {
		drawn := 0.0
		if i+1 < len(all) {
			drawn = all[i+1].Drawn - x.Drawn
		}
		points = append(points, bath.Assay{Charge: x.Charge, Seconds: x.Seconds, Concentration: x.Found, Volume: x.Volume, Sampled: drawn})
	}
	batch := a.Plan.Model.Batch()
	if len(points) < 2 || !(batch.Area > 0) {
		a.missing("mass transfer and starting efficiency are not fitted: two assays after the last addition are needed, three for both, and the cathode's area")
		return
	}
	fit, err := bath.FitTransfer(batch, b.molar, points, len(points) > 2)
	if err != nil {
		a.Notes = append(a.Notes, err.Error())
		return
	}
	if stated {
		fit.MassTransfer.Source += " and the stated bath"
	}
	a.Fit = &fit
}

// loads are gas, acid and water of the charge that flowed through the bath, at the efficiency that was found: what metal shunted past it made none.
func (a *Account) loads(shunted float64) {
	p, charge := a.Plan, a.Totals.Charge-shunted
	if a.Cell == nil || !(charge > 0) || !a.Density.Known() {
		return
	}
	if shunted > 0 {
		a.Notes = append(a.Notes, fmt.Sprintf("%.3g A·h passed through a short circuit and made no metal, gas or acid", shunted/3600))
	}
	c := *a.Cell
	c.Current = a.MeanAmperes
	c.Charge = matter.Figure{Value: charge, StandardUncertainty: a.Totals.StandardUncertainty, Mark: matter.Measured}
	c.Efficiency = a.Efficiency.Times(a.Totals.Charge / charge)
	if deposit := p.Deposit(); !c.Efficiency.Known() {
		c.Efficiency = a.over(matter.Figure{Value: deposit, StandardUncertainty: deposit * p.Efficiency.Relative(), Mark: p.Efficiency.Mark}, charge, a.Totals.StandardUncertainty)
	}
	c.Efficiency.Value = math.Min(c.Efficiency.Value, 1)
	c.FinalConcentration = matter.Figure{Value: p.Model.Catholyte().Concentration(), Mark: p.Efficiency.Mark}
	book, faradays := p.Model.Catholyte(), charge/matter.Faraday
	c.AtAnode.Value = book.Anode()
	c.AtAnode.Low, c.AtAnode.High = min(book.Anode(), book.Uptake.Low*faradays), max(book.Anode(), book.Uptake.High*faradays)
	if a.MeanVolts.Known() {
		c.CellVolts = a.MeanVolts
	}
	if loads, err := electrolysis.Assess(c); err == nil {
		a.Loads = &loads
	} else {
		a.missing("gas, acid and water cannot be computed: " + err.Error())
	}
}

// costs adds up what the run cost.
func (a *Account) costs(entries []Entry) {
	if a.Price.Known() {
		a.Costs = append(a.Costs, Cost{For: "energy", Sum: a.Price.Value * a.Totals.Energy / 3.6e6})
	}
	for _, e := range entries {
		if sum, ok := e.Numbers[CostSum]; ok && e.Kind == EntryCost {
			a.Costs = append(a.Costs, Cost{cmp.Or(e.Words["for"], e.Text), sum, e.Words["currency"]})
		}
	}
	if len(a.Costs) == 0 {
		a.missing("neither a price of energy nor any cost is stated")
		return
	}
	var sum float64
	for _, c := range a.Costs {
		if c.Currency != "" && a.Currency != "" && c.Currency != a.Currency {
			a.Notes = append(a.Notes, fmt.Sprintf("costs are stated in %s and in %s, so that they are not added", a.Currency, c.Currency))
			return
		}
		sum, a.Currency = sum+c.Sum, cmp.Or(a.Currency, c.Currency)
	}
	if a.Deposit.Known() {
		a.CostPerMass = matter.Ratio(matter.Figure{Value: sum, Mark: matter.Given}, a.Deposit)
	}
}

// NormalizedError is E_n of two results: their difference over the root of the sum of squares of their expanded
// uncertainties (k = 2). At most 1 in size they agree (ISO 13528, ISO/IEC 17043). NaN without any uncertainty.
func NormalizedError(x, reference matter.Figure) float64 {
	return (x.Value - reference.Value) / (integrate.CoverageFactor * math.Hypot(x.StandardUncertainty, reference.StandardUncertainty))
}

// Combined is the weighted mean of several results for one quantity.
type Combined struct {
	Mean       matter.Figure
	Count      int
	ChiSquared float64 // of the results about the mean
	Chance     float64 // of at least that much, if each doubt is right; 1 for a single result
}

// leastChance is below which results do not agree: the usual 5 % of key comparisons (Cox, Metrologia 39 (2002) 589, from memory).
const leastChance = 0.05

// Consistent says whether the results agree within their doubts.
func (c Combined) Consistent() bool { return c.Chance >= leastChance }

// Combine returns the mean of independent results, each weighted with 1/u², and whether they agree. What is not Known is left
// out; every other result has a standard uncertainty above zero. The doubt is not stretched where they do not agree, because no factor mends a wrong result.
func Combine(results ...matter.Figure) Combined {
	var c Combined
	var weights, sum float64
	for _, x := range results {
		if !x.Known() {
			continue
		}
		w := 1 / (x.StandardUncertainty * x.StandardUncertainty)
		weights, sum = weights+w, sum+w*x.Value
		c.Count++
		c.Mean.Mark, c.Mean.Source = matter.Weakest(c.Mean.Mark, x.Mark), x.Source
	}
	if c.Count == 0 {
		return c
	}
	c.Mean.Value, c.Mean.StandardUncertainty, c.Chance = sum/weights, 1/math.Sqrt(weights), 1
	for _, x := range results {
		if x.Known() {
			z := (x.Value - c.Mean.Value) / x.StandardUncertainty
			c.ChiSquared += z * z
		}
	}
	if c.Count > 1 {
		c.Mean.Source = "weighted mean"
		c.Chance = mathext.GammaIncRegComp(float64(c.Count-1)/2, c.ChiSquared/2)
	}
	return c
}

// EntryIdentity is the kind of entry that says what the deposit is, and its figures besides mass, volume and temperature: a piece
// dissolved in acid with its hydrogen caught over water, an assay of the metal, or a test in words.
const (
	EntryIdentity = "identity"
	GasVolume     = "gas_cubic_metres"
	GasPressure   = "pressure_pascals"
)

// Standard uncertainties of what is read by hand at a gas burette, for who states none. Common practice, no source.
const (
	gasVolumeDoubt   = 0.01 // relative
	gasPressureDoubt = 300  // Pa
	gasKelvinDoubt   = 1    // K
)

// Identity is a test of what the deposit is.
type Identity struct {
	At       int64
	Words    string
	Hydrogen matter.Figure // mol, dry
	// Share is how much of the piece is the metal, by its hydrogen or by assay; E_n holds it against 1.
	Share           matter.Figure
	NormalizedError float64
	Problem         string // why there is no share
}

// VapourPressure is that of water over a flat surface in Pa, from 273.15 to 647.096 K: IAPWS-IF97, region 4, equation 30.
func VapourPressure(kelvin float64) float64 {
	n := [...]float64{0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3}
	theta := kelvin + n[8]/(kelvin-n[9])
	a := theta*theta + n[0]*theta + n[1]
	b := n[2]*theta*theta + n[3]*theta + n[4]
	c := n[5]*theta*theta + n[6]*theta + n[7]
	return math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4) * 1e6
}

// GasOverWater returns the mol of dry gas in a volume (m³) caught over water at a temperature (K) and the pressure (Pa) inside, as
// an ideal gas less the vapour of water: n = (p − p_w)·V/(R·T). Water that holds salt or acid gives off less vapour, and what of the gas the water dissolves is not counted.
func GasOverWater(volume, kelvin, pressure matter.Figure) matter.Figure {
	vapour := VapourPressure(kelvin.Value)
	dry := pressure.Value - vapour
	n := dry * volume.Value / (matter.GasConstant * kelvin.Value)
	slope := (VapourPressure(kelvin.Value+0.5) - VapourPressure(kelvin.Value-0.5)) / dry
	relative := math.Hypot(volume.Relative(), math.Hypot(pressure.StandardUncertainty/dry, kelvin.StandardUncertainty*(1/kelvin.Value+slope)))
	return matter.Figure{Value: n, StandardUncertainty: math.Abs(n) * relative, Mark: matter.Weakest(volume.Mark, kelvin.Mark, pressure.Mark), Source: "ideal gas less the vapour of water (IAPWS-IF97)"}
}

// identify reads a test of identity.
func (b *book) identify(e Entry) Identity {
	id := Identity{At: e.At, Words: cmp.Or(e.Words["result"], e.Text), NormalizedError: math.NaN()}
	n := e.Numbers
	_, caught := n[GasVolume]
	_, assayed := n[bath.AssayRatio]
	switch {
	case assayed:
		id.Share = bath.Measured(n, bath.AssayRatio, bath.AssayDoubt)
		id.Share.Source = "assay of the deposit"
	case !caught:
		return id
	case b.plan == nil:
		id.Problem = "no metal is given in the frozen configuration, so its hydrogen shows nothing"
		return id
	case !(n[bath.Mass] > 0 && n[bath.EnteredKelvin] > 0 && n[GasPressure] > VapourPressure(n[bath.EnteredKelvin])):
		id.Problem = "hydrogen over water needs the mass of the piece, the temperature, and a pressure above that of the vapour of water"
		return id
	default:
		id.Hydrogen = GasOverWater(bath.Measured(n, GasVolume, gasVolumeDoubt), bath.Measured(n, bath.EnteredKelvin, gasKelvinDoubt/n[bath.EnteredKelvin]),
			bath.Measured(n, GasPressure, gasPressureDoubt/n[GasPressure]))
		perMole := electrolysis.Hydrogen.ElectronsPerMole() / float64(b.plan.Valence) * b.plan.Metal.Element.Weight.Value
		mass := bath.Measured(n, bath.Mass, bath.BalanceDoubt)
		share := id.Hydrogen.Value * perMole / mass.Value
		id.Share = matter.Figure{Value: share, StandardUncertainty: share * math.Hypot(id.Hydrogen.Relative(), mass.Relative()), Mark: matter.Measured, Source: "hydrogen over water"}
	}
	id.NormalizedError = NormalizedError(id.Share, matter.Figure{Value: 1})
	return id
}
