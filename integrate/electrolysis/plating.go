package electrolysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

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
	Margin  matter.Figure
	Verdict string // a sentence, two where the end is worse than the start
	// HydrogenAtEnd and MarginAtEnd are for the pH at the end of the run.
	HydrogenAtEnd, MarginAtEnd matter.Figure
	// EfficiencyAtEnd is the share of the last charge that wins metal, once the pH of the end lets more hydrogen off.
	EfficiencyAtEnd matter.Figure
	// Lowest is the mean over the run of the low end of that share; not Known where it is not followed.
	Lowest      matter.Figure
	HydroxidePH matter.Figure // zero Figure where no hydroxide is known or complexes hold the metal
	Cathodes    []Cathode
}

// activityUncertainty is the standard uncertainty in V of a potential because
// activities in strong baths are not known better, for one electron.
const activityUncertainty = 0.04

// cuprous is the standard potential of Cu+/Cu, V: no bath of the table of metals holds the plain ion.
const cuprous = 0.521 // OpenStax Chemistry 2e, Appendix L

// plainPotential returns the standard potential of the plain ion, by whose activity a complex is reckoned.
func plainPotential(metal matter.Metal, valence int) (matter.Figure, bool) {
	if metal.Element.Symbol == "Cu" && valence == 1 {
		return matter.Figure{Value: cuprous, Mark: matter.Published, Source: "Flowers, Theopold, Langley and Robinson, Chemistry 2e (OpenStax), 2019, Appendix L, standard electrode potentials"}, true
	}
	for _, c := range metal.Couples {
		if c.Valence == valence && c.Ligands == 0 && c.Protons == 0 {
			return c.Potential, true
		}
	}
	return matter.Figure{}, false
}

// Potential returns the equilibrium potential in V of a metal that is dissolved in the bath at the start, concentration mol/m³ of it in all
// its forms: by the activity of its free ion where there are constants for its complexes, else by the table's couple.
func (a *Assessment) Potential(metal matter.Metal, couple matter.Couple, concentration matter.Figure) matter.Figure {
	return a.potentialIn(a.Liquid.bath.Totals, metal, couple, concentration, a.Conditions.PH)
}

func (a *Assessment) potentialIn(totals solution.Totals, metal matter.Metal, couple matter.Couple, concentration, pH matter.Figure) matter.Figure {
	c, t := a.Conditions, a.Conditions.Temperature.Value
	slope := matter.GasConstant * t / (float64(couple.Valence) * matter.Faraday)
	doubt := math.Hypot(slope*concentration.Relative(), activityUncertainty/float64(couple.Valence))
	ion, known := solution.Ion(metal.Element.Symbol, float64(couple.Valence))
	standard, plain := plainPotential(metal, couple.Valence)
	if totals != nil && known && plain {
		here := solution.Totals{}
		here.Add(totals, 1)
		here[ion] = concentration.Value
		var spread []matter.Figure
		for _, rule := range []solution.Activity{solution.Davies, solution.Ideal} {
			if e, err := solution.At(here, pH.Value, t, rule); err == nil {
				v := metalPotential(standard.Value, couple.Valence, math.Pow(10, e.Activity(ion))*standardConcentration, t)
				spread = append(spread, matter.Figure{Low: v, Value: v, High: v})
			}
		}
		if spread != nil {
			b := cover(spread, matter.Weakest(standard.Mark, concentration.Mark, a.Liquid.mark), "")
			return matter.Figure{Value: b.Value, StandardUncertainty: math.Hypot(doubt, (b.High-b.Low)/2), Mark: b.Mark,
				Source: "Nernst by the free ion's activity, " + a.Liquid.from + "; standard potential: " + standard.Source}
		}
	}
	ligand := c.Ligand
	if !ligand.Known() && couple.Ligand == "chloride" {
		ligand = c.Chloride
	}
	f := combine(couplePotential(couple, concentration.Value, pH.Value, ligand.Value, t),
		"Nernst, concentration for activity; standard potential: "+couple.Potential.Source, couple.Potential, concentration)
	f.StandardUncertainty = doubt
	if couple.Ligands > 0 && couple.Ligand != "hydroxide" && !ligand.Known() {
		f.Mark, f.Source = matter.Assumed, f.Source+"; free ligand taken as 1 mol/L"
	}
	// Neither potential nor hydroxide of the plain ion holds where the medium holds the metal in complexes for which the table has no couple.
	if a.Couple.Ligands == 0 && slices.Contains([]matter.Medium{matter.Ammine, matter.Cyanide, matter.Sulfide}, c.Medium) {
		f.Mark, f.Source = matter.Assumed, f.Source+"; for the plain ion, for want of constants: complexes lie some tenths of a volt lower"
	}
	return f
}

func (a *Assessment) plating() {
	c, p := a.Conditions, &a.Plating
	p.Metal = a.Potential(c.Metal, a.Couple, c.Concentration)
	p.Hydrogen = a.hydrogen(c.PH)
	p.Gap = difference(p.Hydrogen, p.Metal, "hydrogen less metal")
	p.Overpotential = hydrogenOverpotential(c.Metal.Element.Symbol, a.CathodeDensity.Value, c.Temperature.Value)
	if p.Overpotential.Known() {
		p.Margin = difference(p.Overpotential, p.Gap, "hydrogen overpotential on the deposit less the gap")
	}
	p.Verdict = platingVerdict(p.Gap.Value, p.Margin, c.Efficiency.Value)
	if c.withoutCatalyst() {
		p.Lowest = matter.Figure{Mark: matter.Assumed, Source: "without a catalyst no chromium comes"}
		p.Verdict = onlyIf + "add the catalyst, 1 part of sulfuric acid by weight to 100 of CrO3: without one chromic acid makes hydrogen and no chromium."
	}
	p.Cathodes = rankCathodes(c.Metal.Element.Symbol, c.Medium, c.Chloride.Value, a.CathodeDensity.Value, c.Temperature.Value)
}

func (a *Assessment) hydrogen(pH matter.Figure) matter.Figure {
	t := a.Conditions.Temperature
	f := combine(hydrogenPotential(pH.Value, t.Value), "Nernst at one atmosphere", pH, t)
	f.StandardUncertainty = math.Abs(hydrogenPotential(1, t.Value)) * pH.StandardUncertainty
	return f
}

// platingAtEnd says the same for the end: less metal, and the pH that the run has led to.
func (a *Assessment) platingAtEnd() {
	c, p, l := a.Conditions, &a.Plating, &a.Liquid
	pH, totals := c.PH, l.bath.Totals
	if l.Known() {
		end := l.Course[len(l.Course)-1]
		totals = end.left
		pH = matter.Figure{Value: l.End.Value, StandardUncertainty: (l.End.High - l.End.Low) / 4, Mark: l.End.Mark, Source: l.End.Source}
		p.EfficiencyAtEnd = a.efficiencyAt(end)
	}
	if !(c.FinalConcentration.Value > 0) {
		return
	}
	p.MetalAtEnd = a.potentialIn(totals, c.Metal, a.Couple, c.FinalConcentration, pH)
	p.HydrogenAtEnd = a.hydrogen(pH)
	gap := difference(p.HydrogenAtEnd, p.MetalAtEnd, "hydrogen less metal at the end")
	if p.Overpotential.Known() {
		p.MarginAtEnd = difference(p.Overpotential, gap, "hydrogen overpotential on the deposit less the gap, at the end")
	}
	efficiency, doubtful := c.Efficiency.Value, false
	if e := p.EfficiencyAtEnd; e.Mark != matter.Unmarked {
		doubtful = e.Low < limited(c.Efficiency).Low/2
		efficiency = math.Min(efficiency, e.Value)
	}
	verdict := platingVerdict(gap.Value, p.MarginAtEnd, efficiency)
	poor := efficiency < c.Efficiency.Value/2
	falls := !math.IsInf(l.FallsAfter, 1) && l.fallsAtBest
	if !l.Known() || !poor && !doubtful && !falls && (verdict == p.Verdict || strings.HasPrefix(verdict, "Yes")) { // an end that plates adds nothing to the start
		return
	}
	end := fmt.Sprintf("At the end, at pH %.1f: %s", pH.Value, verdict)
	if do, why, found := strings.Cut(verdict, ": "); found && strings.HasPrefix(do, onlyIf) {
		end = fmt.Sprintf("%s: at the end, at pH %.1f, %s", do, pH.Value, why)
	}
	switch {
	case poor || doubtful:
		takes, downTo := "hydrogen takes most of the current", ""
		if !poor {
			pH.Value, downTo = l.End.Low, "down to "
		} else if efficiency <= 0 {
			takes = "hydrogen takes all of the current, and the deposit dissolves"
		}
		apart := "divide the cell"
		if c.Separator != NoSeparator {
			apart = "keep anode acid from crossing"
		}
		end = fmt.Sprintf("Only if you %s, buffer the bath, or stop sooner: at the end, at pH %s%.1f, %s.", apart, downTo, pH.Value, takes)
	case falls:
		end = fmt.Sprintf("Only if you keep the pH below %.1f: at the end, at pH %.1f, %s has fallen out.", l.FallsAt.Low, pH.Value, l.Falls)
	}
	p.Verdict = Both(p.Verdict, end)
}

// Both joins two verdicts, of which a Yes says nothing beside an Only if, and two Only if are one sentence. What the first says to do is
// not said again by the second.
func Both(first, second string) string {
	one, also := strings.CutPrefix(first, onlyIf)
	other, only := strings.CutPrefix(second, onlyIf)
	switch {
	case also && strings.HasPrefix(second, "Yes"):
		_, rest, _ := strings.Cut(second, ". ")
		return strings.TrimSpace(first + " " + rest)
	case only && strings.HasPrefix(first, "Yes"):
		return second
	case !also || !only:
		return strings.TrimSpace(first + " " + second)
	}
	do, why, _ := strings.Cut(one, ": ")
	more, because, _ := strings.Cut(other, ": ")
	if !strings.Contains(do, "buffer") && !strings.Contains(do, "divide") {
		do += ", and " + more
	}
	return onlyIf + do + ": " + strings.TrimSuffix(why, ".") + ", and " + because
}

// hydroxideSure is by how much the pH lies above that of the hydroxide where no doubt of its constants keeps metal dissolved: fresh and aged ones
// are up to 0.9 apart.
const hydroxideSure = 1.0

// onlyIf begins a verdict that says what to do.
const onlyIf = "Only if you "

// Hydrogen from acid is held back by two things: how fast the surface makes it and how fast the acid comes.
const (
	leastTransfer, usualTransfer, mostTransfer = 0.6e-5, 1.05e-5, 1.8e-5 // m/s of a metal ion, stirred by gas: range from memory, as bath.Bubble
	protonDiffusion, ionDiffusion              = 9.311, 0.714            // 1e-9 m²/s, H+ and Cu2+: CRC Handbook
	transferExponent                           = 2.0 / 3                 // of diffusion in the transfer to a wall
	kineticDoubt                               = 10.0                    // of an exchange current density, either way
	growingShare                               = 0.1                     // of the hydrogen of a clean surface comes off a growing deposit; common practice, no source: nickel keeps some 90 % at pH 2
)

// efficiencyAt returns the share of the current that wins metal at a point of the run: the stated one less what more of the current makes
// hydrogen than at the start. It is an estimate of the order of things, not Known without a tabled surface or where the metal is nobler than hydrogen.
func (a *Assessment) efficiencyAt(point PHPoint) matter.Figure {
	c := a.Conditions
	surface, found := findSurface(c.Metal.Element.Symbol)
	if !found || !c.Medium.Acidic() || a.Plating.Gap.Value < 0 {
		return matter.Figure{}
	}
	surface = surface.at(c.Temperature.Value)
	warmth := solution.Transfer(c.Temperature.Value)
	overpotential := metalOverpotential(c.Metal.Element.Symbol)
	operating := a.Plating.Metal.Value - overpotential.Value
	hydrogen := func(totals solution.Totals, pH, faster, transfer float64) float64 { // A/m²
		e, err := solution.At(totals, pH, c.Temperature.Value, solution.Davies)
		if err != nil {
			return math.NaN()
		}
		acid := e.Amount(string(solution.H)) + e.Amount("HSO4-")
		arrives := matter.Faraday * transfer * warmth * math.Pow(protonDiffusion/ionDiffusion, transferExponent) * acid
		over := hydrogenPotential(pH, c.Temperature.Value) - operating
		made := faster * surface.exchange * math.Pow(10, over/surface.TafelSlope-pH/2)
		return arrives * made / (arrives + made)
	}
	lost := func(pH, faster, transfer float64) float64 {
		more := hydrogen(point.left, pH, growingShare*faster, transfer) - hydrogen(a.Liquid.bath.Totals, c.PH.Value, growingShare*faster, transfer)
		return math.Min(c.Efficiency.Value, math.Max(0, more/a.CathodeDensity.Value))
	}
	worst, usual, best := lost(point.PH.Low, kineticDoubt, mostTransfer), lost(point.PH.Value, 1, usualTransfer), lost(point.PH.High, 1/kineticDoubt, leastTransfer)
	if math.IsNaN(worst + usual + best) {
		return matter.Figure{}
	}
	e := limited(c.Efficiency)
	return band(math.Max(0, e.Low-worst), e.Value-usual, math.Min(1, e.High-best), matter.Assumed,
		"stated efficiency less the hydrogen from the additional acid, by exchange current densities from memory and the mass transfer of a gas-stirred bath")
}

func platingVerdict(gap float64, margin matter.Figure, efficiency float64) string {
	switch {
	case gap < 0 && efficiency < 0.5:
		return "On paper: the metal is nobler than hydrogen in this bath, but at this current efficiency most of the current makes hydrogen."
	case gap < 0:
		return "Yes: the metal is nobler than hydrogen in this bath, so it plates first while stirring supplies enough of it."
	case !margin.Known():
		return "Unknown: hydrogen is the easier reaction on paper, and the hydrogen overpotential of this metal is not in the table."
	case margin.Value > 0.1:
		return "Yes: hydrogen is the easier reaction on paper, but the deposit's hydrogen overpotential holds it back by more than the gap."
	case margin.Value > -0.1:
		return "Only if you raise the pH or add metal: the hydrogen overpotential about equals the gap, and otherwise much of the current makes gas."
	}
	return "Only if you raise the pH as far as the bath allows, add much metal, or plan another medium: as it is, hydrogen takes nearly all of the current."
}

// The shift of standard potentials with temperature, V/K, from memory of the
// published tables (Bratsch, J. Phys. Chem. Ref. Data 18 (1989) 1). Those of the
// metals are mostly under 1 mV/K, differ between tables and are left out.
const (
	oxygenStandard   = 1.229 // V, O2 + 4H+ + 4e = 2H2O; OpenStax Chemistry 2e, Appendix L
	oxygenSlope      = -0.846e-3
	chlorineStandard = 1.35827 // V, Cl2 + 2e = 2Cl-; OpenStax Chemistry 2e, Appendix L
	chlorineSlope    = -1.25e-3
)

// nernst returns E = standard − (R·T / electrons·F)·ln(quotient) in volts.
// standard is in volts, electrons is the number of electrons in the equation
// as written, quotient is its reaction quotient (products over reactants,
// dimensionless), temperature is in kelvin, all three above zero.
func nernst(standard, electrons, quotient, temperature float64) float64 {
	return standard - matter.GasConstant*temperature/(electrons*matter.Faraday)*math.Log(quotient)
}

// metalPotential returns the equilibrium potential of Mⁿ⁺/M in volts against the
// standard hydrogen electrode. standard is in volts, valence is n, concentration
// is that of the free ion in mol/m³, temperature in kelvin.
//
// Concentration stands for activity. In strong 2:2 sulfates the mean activity
// coefficient falls to about 0.04 (1 mol/kg, from memory), which makes the real potential
// some 40 mV lower; complexing ions can lower it by hundreds of millivolts.
func metalPotential(standard float64, valence int, concentration, temperature float64) float64 {
	return nernst(standard, float64(valence), standardConcentration/concentration, temperature)
}

// couplePotential returns the equilibrium potential in volts against the standard
// hydrogen electrode of a couple of the metal table over concentration mol/m³ of the dissolved metal,
// at pH and with ligand mol/m³ of the free ligand (0: 1 mol/L is taken; a hydroxide
// ligand is taken from the pH), at temperature kelvin:
// E° + (R·T/n·F)·ln([metal]·[H⁺]^protons/[ligand]^ligands).
func couplePotential(couple matter.Couple, concentration, pH, ligand, temperature float64) float64 {
	free := ligand / standardConcentration
	switch {
	case couple.Ligand == "hydroxide":
		free = math.Pow(10, pH-solution.WaterExponent(temperature))
	case !(ligand > 0):
		free = 1
	}
	quotient := standardConcentration / concentration *
		math.Pow(10, couple.Protons*pH) * math.Pow(free, couple.Ligands)
	return nernst(couple.Potential.Value, float64(couple.Valence), quotient, temperature)
}

// hydrogenPotential returns the equilibrium potential of hydrogen at one
// atmosphere in volts against the standard hydrogen electrode: −(R·T·ln 10/F)·pH.
func hydrogenPotential(pH, temperature float64) float64 {
	return -matter.GasConstant * temperature * math.Ln10 / matter.Faraday * pH
}

// oxygenPotential returns the equilibrium potential of oxygen at one atmosphere
// in volts against the standard hydrogen electrode at pH and temperature kelvin.
func oxygenPotential(pH, temperature float64) float64 {
	return oxygenStandard + oxygenSlope*(temperature-matter.RoomTemperature) + hydrogenPotential(pH, temperature)
}

// chlorinePotential returns the equilibrium potential of chlorine at one
// atmosphere in volts against the standard hydrogen electrode over chloride mol/m³
// at temperature kelvin.
func chlorinePotential(chloride, temperature float64) float64 {
	standard := chlorineStandard + chlorineSlope*(temperature-matter.RoomTemperature)
	return nernst(standard, 1, chloride/standardConcentration, temperature)
}

// Floor holds voltages in V that no honest winning current can pass below, because
// the energy of the reactions would be missing. Overpotentials and resistance come on top.
type Floor struct {
	Metal    float64 // to win the metal, with the easiest anode reaction of the anolyte
	Expected float64 // to win the metal, with the anode reaction that is expected to lead
	Any      float64 // to pass any lasting current: the metal or hydrogen, whichever is easier
	Reaction string  // the easiest anode reaction
	Mark     matter.Mark
}

// floorVoltage returns the thermodynamic floor over reactions of an anode, with the potentials of metal and hydrogen at the cathode in V against the
// standard hydrogen electrode. A soluble anode runs none and has no floor, nor has a shuttle such as ferric and ferrous between both electrodes.
func floorVoltage(anode []Reaction, metal, hydrogen float64) Floor {
	if len(anode) == 0 {
		return Floor{Reaction: "the anode dissolves"}
	}
	lowest := math.Inf(1)
	floor := Floor{Expected: math.NaN()}
	for _, r := range anode {
		if r.Expected {
			floor.Expected = r.Potential - metal
		}
		if r.Potential < lowest {
			lowest, floor.Reaction = r.Potential, r.Name
		}
	}
	floor.Metal = math.Max(0, lowest-metal)
	floor.Any = math.Max(0, lowest-math.Max(metal, hydrogen))
	return floor
}
