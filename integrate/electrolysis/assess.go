package electrolysis

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// Assessment is all that this package can say about a cell and a run. Every figure
// carries its mark: the weakest of what went into it.
type Assessment struct {
	Conditions Conditions // as settled: what nobody stated is filled in and marked assumed
	Couple     matter.Couple

	CathodeDensity matter.Figure // A/m²
	AnodeDensity   matter.Figure // A/m²
	Duration       matter.Figure // s, charge over current

	Plating Plating
	Anode   []Reaction // the expected one first; empty with a soluble anode
	Floor   Floor      // at the start, where it is lowest
	Voltage Band       // V expected at the supply
	Parts   []Component

	Gas    []GasLoad
	Air    Air
	Acid   AcidLoad
	Liquid Liquid
	Water  Water
	Heat   Heat
	Lead   Lead // the zero Lead if no single flexible lead carries the current
	Clip   Clip
	Energy EnergyUse

	Cautions []string
}

// Plating says whether metal can be won here.
type Plating struct {
	Metal      matter.Figure // V against SHE at the start
	MetalAtEnd matter.Figure // V against SHE at the final concentration; zero Figure if that is 0
	Hydrogen   matter.Figure // V against SHE
	// Gap is by how many V the metal must be driven below hydrogen at the start: positive means
	// that hydrogen is the easier reaction on paper, negative that the metal is the nobler.
	Gap           matter.Figure
	Overpotential matter.Figure // V of hydrogen on the deposit at this density; zero Figure if not tabled
	// Margin is Overpotential less Gap, V: above about 0.1 the metal usually wins, below
	// zero hydrogen takes nearly all.
	Margin      matter.Figure
	Verdict     string        // a sentence
	HydroxidePH matter.Figure // zero Figure without a solubility product
	Cathodes    []Cathode
}

// Assess works out everything for the conditions. The error lists every figure that is
// missing or impossible.
func Assess(c Conditions) (Assessment, error) {
	c, couple, err := c.settle()
	if err != nil {
		return Assessment{}, fmt.Errorf("assess the cell: %w", err)
	}
	a := Assessment{Conditions: c, Couple: couple}
	a.CathodeDensity = combine(c.Current.Value/c.CathodeArea.Value, "current over cathode area", c.Current, c.CathodeArea)
	a.AnodeDensity = combine(c.Current.Value/c.AnodeArea.Value, "current over anode area", c.Current, c.AnodeArea)
	a.Duration = combine(c.Charge.Value/c.Current.Value, "charge over current", c.Charge, c.Current)
	a.plating()
	a.anode()
	a.acid()
	a.liquid()
	if err := a.voltage(); err != nil {
		return Assessment{}, fmt.Errorf("assess the cell: %w", err)
	}
	a.gases()
	a.air()
	a.water()
	a.heat()
	a.energy()
	a.leads()
	a.cautions()
	return a, nil
}

// combine is a product or quotient of independent figures: relative standard
// uncertainties add in quadrature, and the mark is the weakest.
func combine(value float64, source string, parts ...matter.Figure) matter.Figure {
	f := matter.Figure{Value: value, Source: source}
	var squares float64
	for _, p := range parts {
		squares += p.Relative() * p.Relative()
		f.Mark = matter.Weakest(f.Mark, p.Mark)
	}
	f.StandardUncertainty = math.Abs(value) * math.Sqrt(squares)
	return f
}

// activityUncertainty is the standard uncertainty in V of a potential because
// concentration stands for activity, for one electron.
const activityUncertainty = 0.04

func (a *Assessment) plating() {
	c, p := a.Conditions, &a.Plating
	temperature := c.Temperature.Value
	ligand := c.Ligand
	if !ligand.Known() && a.Couple.Ligand == "chloride" {
		ligand = c.Chloride
	}
	potential := func(concentration matter.Figure) matter.Figure {
		f := combine(CouplePotential(a.Couple, concentration.Value, c.PH.Value, ligand.Value, temperature),
			"Nernst, concentration for activity; standard potential: "+a.Couple.Potential.Source, a.Couple.Potential, concentration)
		slope := matter.GasConstant * temperature / (float64(a.Couple.Valence) * matter.Faraday)
		f.StandardUncertainty = math.Hypot(slope*concentration.Relative(), activityUncertainty/float64(a.Couple.Valence))
		if a.Couple.Ligands > 0 && a.Couple.Ligand != "hydroxide" && !ligand.Known() {
			f.Mark, f.Source = matter.Assumed, f.Source+"; free ligand taken as 1 mol/L"
		}
		if a.bound() {
			f.Mark, f.Source = matter.Assumed, f.Source+"; for the plain ion: complexes lie some tenths of a volt lower"
		}
		return f
	}
	p.Metal = potential(c.Concentration)
	if c.FinalConcentration.Value > 0 {
		p.MetalAtEnd = potential(c.FinalConcentration)
	}
	p.Hydrogen = combine(HydrogenPotential(c.PH.Value, temperature), "Nernst at one atmosphere", c.PH, c.Temperature)
	p.Hydrogen.StandardUncertainty = math.Abs(HydrogenPotential(1, temperature)) * c.PH.StandardUncertainty
	p.Gap = difference(p.Hydrogen, p.Metal, "hydrogen less metal")
	p.Overpotential = HydrogenOverpotential(c.Metal.Element.Symbol, a.CathodeDensity.Value)
	if p.Overpotential.Known() {
		p.Margin = difference(p.Overpotential, p.Gap, "hydrogen overpotential on the deposit less the gap")
	}
	p.Verdict = platingVerdict(p.Gap.Value, p.Margin, c.Efficiency.Value)
	if ksp := c.Metal.Hydroxide; ksp.Product.Known() && a.Couple.Ligands == 0 && !a.bound() && c.Medium != matter.Chromic {
		p.HydroxidePH = combine(HydroxidePH(ksp.Product.Value, ksp.Hydroxides, c.Concentration.Value, temperature),
			"solubility product of "+ksp.Solid+": "+ksp.Product.Source, ksp.Product, c.Concentration)
		p.HydroxidePH.StandardUncertainty = 0.5 / ksp.Hydroxides // half a decade in the product
	}
	p.Cathodes = RankCathodes(c.Metal.Element.Symbol, c.Medium, c.Chloride.Value, a.CathodeDensity.Value)
}

// bound tells whether the medium holds the metal in complexes for which the table has no
// couple, so that neither the potential nor the hydroxide of the plain ion holds.
func (a *Assessment) bound() bool {
	switch a.Conditions.Medium {
	case matter.Ammine, matter.Cyanide, matter.Sulfide:
		return a.Couple.Ligands == 0
	}
	return false
}

func difference(x, y matter.Figure, source string) matter.Figure {
	return matter.Figure{
		Value: x.Value - y.Value, StandardUncertainty: math.Hypot(x.StandardUncertainty, y.StandardUncertainty),
		Mark: matter.Weakest(x.Mark, y.Mark), Source: source,
	}
}

func platingVerdict(gap float64, margin matter.Figure, efficiency float64) string {
	switch {
	case gap < 0 && efficiency < 0.5:
		return "On paper: the metal is nobler than hydrogen in this bath, but at the efficiency reckoned with most of the current makes hydrogen all the same."
	case gap < 0:
		return "Yes: the metal is nobler than hydrogen in this bath, so it plates first while stirring brings enough of it."
	case !margin.Known():
		return "Unknown: hydrogen is the easier reaction on paper, and the hydrogen overpotential of this metal is not in the table."
	case margin.Value > 0.1:
		return "Yes: hydrogen is the easier reaction on paper, but the deposit's hydrogen overpotential holds it back by more than the gap."
	case margin.Value > -0.1:
		return "Doubtful: the hydrogen overpotential about equals the gap; raise the pH or the metal, or expect much gas."
	}
	return "Hardly: hydrogen takes the current at this pH and concentration; a higher pH, more metal or a complex bath is needed."
}

func (a *Assessment) anode() {
	c := a.Conditions
	anolyte := Anolyte{c.AnolyteMedium, c.AnolytePH.Value, c.Chloride.Value, c.Temperature.Value, c.Others}
	if c.Medium == matter.Chloride && c.AnolyteMedium != matter.Chloride && !(c.Chloride.Value > traceChloride) {
		anolyte.Chloride = standardConcentration // what crosses cannot be ruled out
	}
	if !c.SolubleAnode {
		a.Anode = AnodeReactions(anolyte, c.Metal.Element.Symbol)
	}
	a.Floor = FloorVoltage(FloorConditions{anolyte, c.Metal.Element.Symbol, a.Plating.Metal.Value, c.PH.Value, c.SolubleAnode})
	a.Floor.Mark = matter.Weakest(matter.Published, a.Plating.Metal.Mark, c.AnolytePH.Mark, c.Temperature.Mark)
}

// freeAcid settles the acid between the plates that the conductivity rests on: what
// the pH says at the start, and half of what the run makes, which is the middle of the run.
func (a *Assessment) freeAcid() matter.Figure {
	c := a.Conditions
	acid := standardConcentration * math.Pow(10, -c.PH.Value)
	if c.Separator == NoSeparator {
		acid += math.Max(0, a.Acid.Bath.Value) / c.Volume.Value / 2
	} else {
		acid += (math.Max(0, a.Acid.Anolyte.Best)/c.Anolyte.Value + math.Max(0, -a.Acid.Catholyte.Best)/c.Volume.Value) / 2 / 2
	}
	return orAssumed(c.FreeAcid, acid, 0.5*acid, "from the pH, and half of what the run makes")
}

func (a *Assessment) voltage() error {
	a.Conditions.FreeAcid = a.freeAcid()
	c := a.Conditions
	v := VoltageConditions{
		Metal: c.Metal.Element.Symbol, Reversible: a.Floor.Expected, ReversibleMark: a.Floor.Mark, Anode: c.Anode, SolubleAnode: c.SolubleAnode,
		CathodeDensity: a.CathodeDensity.Value, AnodeDensity: a.AnodeDensity.Value, Gap: c.Gap.Value, Separator: c.Separator,
		Conductivity: AssumedConductivity(c.Medium, c.FreeAcid.Value, c.Temperature.Value),
	}
	if c.Conductivity.Known() {
		v.Conductivity = fromFigure(c.Conductivity)
		v.Conductivity.Low = math.Max(v.Conductivity.Low, v.Conductivity.Best/2)
	}
	if !c.SolubleAnode {
		v.Gas, v.Reaction = a.Anode[0].Gas, a.Anode[0].Name
	}
	var err error
	a.Voltage, a.Parts, err = CellVoltage(v)
	return err
}

// volts returns the voltage to reckon with: measured at the cell, or the expected band.
func (a *Assessment) volts() matter.Figure {
	if a.Conditions.CellVolts.Known() {
		return a.Conditions.CellVolts
	}
	return matter.Figure{Value: a.Voltage.Best, StandardUncertainty: (a.Voltage.High - a.Voltage.Low) / 4, Mark: a.Voltage.Mark, Source: "expected cell voltage"}
}
