package electrolysis

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Conditions is what Assess needs to know of a cell and a run. A figure that nobody
// stated stays the zero Figure; Assess then assumes one where practice allows and
// marks what follows from it. All in SI: A, m², m, C, mol/m³, K, S/m, V, m³, m³/s.
type Conditions struct {
	Metal   matter.Metal
	Medium  matter.Medium
	Valence int // 0: the usual one in the medium

	// AnolyteMedium is what stands before the anode behind a separator; "": as Medium. Sulfuric acid behind a
	// membrane keeps the anode of a chloride bath from making chlorine, as long as no chloride crosses.
	AnolyteMedium matter.Medium

	Current    matter.Figure // A; required; the first one where HoldsVolts
	HoldsVolts bool          // the supply holds the voltage, and the bath takes what current it will
	Charge     matter.Figure // C of the whole run; required
	Efficiency matter.Figure // share of the charge that makes metal, over the whole run; required

	CathodeArea  matter.Figure // m² facing an anode; required
	AnodeArea    matter.Figure // m²; unknown: as the cathode
	Gap          matter.Figure // m between the plates; unknown: 0.03
	Cathode      string        // material, "" if undecided
	Anode        string        // material, one of anodeMaterials or a name that contains it; "" if undecided
	SolubleAnode bool          // the anode is of the metal and dissolves
	// AtAnode is the mol of metal that the anode takes over the run as Oxide, below zero gives back; unknown: none, and a soluble anode gives
	// what the whole charge dissolves.
	AtAnode   matter.Figure
	Oxide     matter.Oxide
	Separator Separator // "" is NoSeparator

	Concentration      matter.Figure // mol/m³ of metal at the start; required
	FinalConcentration matter.Figure // mol/m³ at the end; unknown: as at the start
	PH                 matter.Figure // of the bath or catholyte; unknown: from FreeAcid in an undivided acid bath, else the middle of the usual window, else 2
	AnolytePH          matter.Figure // unknown: as the catholyte, and 0 behind a separator in an acid medium
	FreeAcid           matter.Figure // mol/m³ of titratable H⁺ between the plates; unknown: from the pH, and half of what the run makes
	Chloride           matter.Figure // mol/m³
	Ligand             matter.Figure // mol/m³ of free ligand of a complex bath
	Others             []string      // symbols of other metals dissolved in the bath
	// Dissolved is what the salts bring, mol/m³ of the components of package solution, and those of the metal too; empty: nothing is known but
	// the metal, and the anion of the medium is taken.
	Dissolved    solution.Totals
	Ammonium     bool          // the bath holds ammonium or ammonia
	Conductivity matter.Figure // S/m at Temperature
	Temperature  matter.Figure // K; unknown: what the bath reaches by its own heat
	Ambient      matter.Figure // K; unknown: 293.15
	CellVolts    matter.Figure // V measured at the cell under current; unknown: expected

	Volume   matter.Figure // m³ of bath or catholyte; required
	Anolyte  matter.Figure // m³ behind the separator; unknown: as the catholyte
	OpenArea matter.Figure // m² of open surface; unknown: that of a beaker as high as wide

	RoomVolume matter.Figure // m³; unknown: no build-up time
	Airflow    matter.Figure // m³/s of fresh air; unknown: none
	LeadLength matter.Figure // m one way; unknown: 1
	LeadOhms   matter.Figure // there and back, as a second meter measured it; unknown: a usual drop
	Price      matter.Figure // money per kWh; unknown: no cost
}

// Practice's values for what nobody stated.
const (
	usualGap      = 0.03   // m
	usualAmbient  = 293.15 // K
	usualPH       = 2.0
	usualLead     = 1.0 // m
	divisionAcid  = 0.0 // pH of an acid anolyte behind a separator, after some hours
	ambientLowest = 273.15
	acidDoubt     = 0.3 // pH units, standard: activity coefficients of strong baths, not how much acid there is
	acidAgrees    = 1.5 // pH units between the stated pH and that of the stated acid: strong baths are not ideal
)

// orAssumed returns the figure, or value marked as assumed if nobody stated it.
func orAssumed(f matter.Figure, value, uncertainty float64, why string) matter.Figure {
	if f.Known() {
		return f
	}
	return matter.Figure{Value: value, StandardUncertainty: uncertainty, Mark: matter.Assumed, Source: why}
}

// settle fills in what nobody stated and returns every mistake in what was stated.
func (c Conditions) settle() (Conditions, matter.Couple, error) {
	mistakes := c.mistakes()
	couple, err := c.Metal.Couple(c.Medium, c.Valence)
	switch {
	case c.Metal.Element.Symbol == "":
		mistakes = append(mistakes, errors.New("metal is missing: take it from the table of metals"))
	case err != nil:
		mistakes = append(mistakes, fmt.Errorf("valence: %w", err))
	}
	if len(mistakes) > 0 {
		return c, couple, errors.Join(mistakes...)
	}
	c.Separator = cmp.Or(c.Separator, NoSeparator)
	if whole := -c.Charge.Value / float64(couple.Valence) / matter.Faraday; c.SolubleAnode && c.AtAnode.Mark == matter.Unmarked {
		c.AtAnode = assumed(whole, whole, whole, "the whole charge dissolves the anode")
	}
	c.AnodeArea = orAssumed(c.AnodeArea, c.CathodeArea.Value, 0.1*c.CathodeArea.Value, "taken equal to the cathode's")
	c.Gap = orAssumed(c.Gap, usualGap, 0.005, "common practice, no source: 20 to 50 mm on the bench")
	c.Temperature = orAssumed(c.Temperature, matter.RoomTemperature, 5, "room temperature taken")
	c.Ambient = orAssumed(c.Ambient, usualAmbient, 3, "a heated room taken")
	c.FinalConcentration = orAssumed(c.FinalConcentration, c.Concentration.Value, 0, "taken as at the start")
	if c.Medium == matter.Chromic {
		c.FreeAcid = orAssumed(c.FreeAcid, c.Concentration.Value, 0.1*c.Concentration.Value, "its own chromic acid, one H+ to a chromium")
	}
	pH, doubt, why := usualPH, 0.5, "pH 2 taken"
	if w, ok := c.Metal.Window(c.Medium); ok && w.PH.Known() {
		pH, why = w.PH.Middle(), "middle of the usual window"
	}
	if c.FreeAcid.Value > 0 && c.Medium.Acidic() && c.Separator == NoSeparator {
		pH, doubt, why = c.acidPH(), acidDoubt, "from the stated acid"
	}
	if fromSalts, ok := c.saltsPH(); ok && !c.PH.Known() {
		pH, doubt, why = fromSalts, acidDoubt, "from the acid, alkali and ligands that the salts bring"
	}
	c.PH = orAssumed(c.PH, pH, doubt, why)
	c.AnolyteMedium = cmp.Or(c.AnolyteMedium, c.Medium)
	anolyte, why := c.PH.Value, "taken as in the bath"
	if c.Separator != NoSeparator && c.AnolyteMedium.Acidic() && c.AnolyteMedium != matter.Chloride {
		anolyte, why = divisionAcid, "an anolyte becomes strongly acid within hours"
	}
	c.AnolytePH = orAssumed(c.AnolytePH, anolyte, 0.5, why)
	if c.Separator != NoSeparator {
		c.Anolyte = orAssumed(c.Anolyte, c.Volume.Value, 0.2*c.Volume.Value, "taken equal to the catholyte")
	}
	beaker := math.Pi / 4 * math.Pow(math.Cbrt(4*c.Volume.Value/math.Pi), 2)
	c.OpenArea = orAssumed(c.OpenArea, beaker, 0.3*beaker, "that of a beaker as high as it is wide")
	c.LeadLength = orAssumed(c.LeadLength, usualLead, 0.3, "1 m taken")
	return c, couple, nil
}

// saltsPH is the pH that the stated salts make, where they bring the metal and with it acid, alkali, ammonia or cyanide. An oxide in an
// acid medium tells nothing: the acid that dissolved it is not among them.
func (c Conditions) saltsPH() (float64, bool) {
	const trace = 10.0 // mol/m³, that labels do not tell
	d := c.Dissolved
	acid := d[solution.H] + c.FreeAcid.Value
	totals, _, _ := c.totals()
	switch {
	case totals == nil || len(d) == 0 || acid < 0 && c.Medium.Acidic():
		return 0, false
	case math.Abs(acid) < trace && d["NH3"] == 0 && d["CN-"] == 0:
		return 0, false
	}
	totals[solution.H] = acid
	e, err := solution.Solve(totals, c.Temperature.Value, solution.Davies)
	return e.PH, err == nil
}

// mistakes lists everything that no assumption can mend. That the other figures are above zero, or not below it, whoever reads them has checked.
func (c Conditions) mistakes() []error {
	var list []error
	say := func(format string, args ...any) { list = append(list, fmt.Errorf(format, args...)) }
	required := func(name, unit string, f matter.Figure) {
		switch {
		case !f.Known():
			say("%s is missing: state it in %s", name, unit)
		case !(f.Value > 0) || math.IsInf(f.Value, 0):
			say("%s is %g (%s): it must be above zero", name, f.Value, unit)
		}
	}
	required("current", "A", c.Current)
	required("charge", "C", c.Charge)
	required("cathode area", "m²", c.CathodeArea)
	required("metal concentration", "mol/m³", c.Concentration)
	required("bath volume", "m³", c.Volume)
	required("current efficiency", "shares of 1", c.Efficiency)
	if c.Efficiency.Value > 1 {
		say("current efficiency is %g %%: no more than 100 %% of the charge can make metal", 100*c.Efficiency.Value)
	}
	if v := c.CellVolts; v.Known() && (!(v.Value > 0) || math.IsInf(v.Value, 0)) { // a run measures it too
		say("cell voltage is %g V: it must be above zero; leave it out if it is unknown", v.Value)
	}
	if !c.Medium.Known() {
		say("medium %q is unknown: one of %v", c.Medium, matter.Media())
	}
	if m := c.AnolyteMedium; m != "" && m != c.Medium {
		switch {
		case !m.Known():
			say("anolyte medium %q is unknown: one of %v", m, matter.Media())
		case c.Separator == "" || c.Separator == NoSeparator:
			say("anolyte medium %s differs from that of the bath: that needs a separator", m)
		}
	}
	within := func(name, unit string, f matter.Figure, low, high float64) {
		const rounding = 1e-9 // of a limit met exactly
		if f.Known() && !(f.Value >= low-rounding && f.Value <= high+rounding) {
			say("%s is %.4g%s: it must lie between %.4g and %.4g%s", name, f.Value, unit, low, high, unit)
		}
	}
	celsius := func(f matter.Figure) matter.Figure { f.Value -= matter.ZeroCelsius; return f }
	within("bath temperature", " °C", celsius(c.Temperature), ambientLowest-matter.ZeroCelsius, boiling-matter.ZeroCelsius)
	within("room temperature", " °C", celsius(c.Ambient), ambientLowest-matter.ZeroCelsius, 60)
	within("pH", "", c.PH, -1.5, 15.5)
	within("anolyte pH", "", c.AnolytePH, -1.5, 15.5)
	if c.PH.Known() && c.FreeAcid.Value > 0 && c.Medium.Acidic() && c.Medium.Known() && len(list) == 0 {
		if ph := c.acidPH(); math.Abs(ph-c.PH.Value) > acidAgrees {
			remedy := ""
			if c.Separator != "" && c.Separator != NoSeparator {
				remedy = ", and state that of the anolyte by its pH"
			}
			say("pH %.3g and free acid of %.3g mol/L contradict each other: that acid makes about pH %.1f; leave out the one that was not measured%s", c.PH.Value, c.FreeAcid.Value/standardConcentration, ph, remedy)
		}
	}
	switch c.Separator {
	case "", NoSeparator, Diaphragm, CationMembrane, AnionMembrane:
	default:
		say("separator %q is unknown: one of %v", c.Separator, []Separator{NoSeparator, Diaphragm, CationMembrane, AnionMembrane})
	}
	return list
}
