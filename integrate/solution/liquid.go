package solution

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"nightcell/integrate/matter"
)

// FromFormula returns what one mole of a compound brings into a solution, in moles of the components. Acid
// follows from electroneutrality: zinc oxide takes up two H+, sulfuric acid brings two. Ions that neither
// bind acid nor metal (sodium, nitrate, sulfamate, fluoborate, methanesulfonate) only balance charge. The
// error names what the table has no constants for.
func FromFormula(f matter.Formula) (Totals, error) {
	t, charge := Totals{}, 0.0
	text := f.String()
	put := func(c Component, n float64) {
		t[c] += n
		charge += n * constants().components[constants().number[c]].Charge
	}
	has := func(parts ...string) bool {
		return slices.ContainsFunc(parts, func(p string) bool { return strings.Contains(text, p) })
	}
	carbon, nitrogen, sulfur := f.Count("C"), f.Count("N"), f.Count("S")
	switch {
	case has("NH2SO3", "SO3NH2"):
		charge -= sulfur
		nitrogen, sulfur = nitrogen-sulfur, 0
	case has("CH3SO3"):
		charge -= sulfur
		carbon, sulfur = carbon-sulfur, 0
	}
	switch {
	case has("C6H5O7", "C6H6O7", "C6H7O7", "C6H8O7"):
		put("citrate-3", carbon/6)
	case has("C4H4O6", "C4H5O6", "C4H6O6"):
		put("tartrate-2", carbon/4)
	case has("C10H12N2O8", "C10H13N2O8", "C10H14N2O8", "C10H16N2O8"):
		put("EDTA-4", carbon/10)
		nitrogen -= carbon / 5
	case has("CH3COO", "C2H3O2", "CH3CO2"):
		put("acetate-", carbon/2)
	case has("CO3"):
		put("CO3-2", carbon)
	case has("CN") && carbon > 0:
		put("CN-", carbon)
		nitrogen -= carbon
	case carbon > 0:
		return nil, fmt.Errorf("%s: what its carbon does in water is not in the table", f)
	}
	if nitrogen > 0 {
		if has("NO3") {
			oxidized := nitrogen
			if has("NH4", "NH3") {
				oxidized = nitrate(f, nitrogen)
			}
			charge -= oxidized
			nitrogen -= oxidized
		}
		if nitrogen > 0 {
			put("NH3", nitrogen)
		}
	}
	boron := f.Count("B")
	if boron > 0 && f.Count("F") > 0 {
		charge -= boron // fluoborate
	} else if boron > 0 {
		put("B(OH)3", boron)
	}
	// Metals last: the charge of an ammine's metal follows from all else.
	atoms := f.Atoms()
	slices.SortStableFunc(atoms, func(a, b matter.Atoms) int { return cmp.Compare(rankOf(a), rankOf(b)) })
	for _, a := range atoms {
		switch s := a.Element.Symbol; s {
		case "H", "O", "C", "N", "B":
		case "S":
			if sulfur > 0 && !has("SO4") {
				return nil, fmt.Errorf("%s: its sulfur is not sulfate, and the table has no constants for it", f)
			}
			if sulfur > 0 {
				put("SO4-2", sulfur)
			}
		case "Cl":
			put("Cl-", a.Number)
		case "F":
			if boron == 0 {
				put("F-", a.Number)
			}
		case "Li", "Na", "K", "Rb", "Cs":
			charge += a.Number
		case "Mg", "Ca", "Sr", "Ba":
			charge += 2 * a.Number
		default:
			state, ok := f.OxidationState(s)
			if !ok && has("NH3") { // an ammine brings neither acid nor base, so the rest tells the charge
				state, ok = -charge/a.Number, true
			}
			c, known := Ion(s, state)
			if !ok || !known {
				return nil, fmt.Errorf("%s: the table has no constants for its %s", f, a.Element.Name)
			}
			put(c, a.Number)
		}
	}
	t[H] = -charge
	return t, nil
}

// rankOf sorts winnable metals behind everything else.
func rankOf(a matter.Atoms) int {
	if _, err := matter.LookUp(a.Element.Symbol); err == nil {
		return 1
	}
	return 0
}

// nitrate is how much of the nitrogen of an ammonium or ammine nitrate is nitrate: the oxygen beyond water
// does not tell, so it is counted from the text, NO3 with the number behind it.
func nitrate(f matter.Formula, nitrogen float64) float64 {
	_, after, _ := strings.Cut(f.String(), "NO3")
	n := 1.0
	if strings.HasPrefix(after, ")") && len(after) > 1 && after[1] >= '2' && after[1] <= '9' {
		n = float64(after[1] - '0')
	}
	return math.Min(n, nitrogen)
}

// Add adds moles times what one mole of another holds.
func (t Totals) Add(other Totals, moles float64) {
	for c, n := range other {
		t[c] += n * moles
	}
}

// Ion returns the component of a metal in a state of oxidation, and whether the table has it.
func Ion(symbol string, state float64) (Component, bool) {
	c := Component(fmt.Sprintf("%s+%g", symbol, state))
	if state == 1 {
		c = Component(symbol + "+")
	}
	_, known := constants().number[c]
	return c, known
}

// Liquid is a bath or one side of a divided cell: totals and a pH that were stated or measured together.
type Liquid struct {
	Totals Totals  // mol/m³; that of H is ignored, because the pH tells it
	PH     float64 // at Kelvin
	Kelvin float64
}

// Settled is a liquid with the acid that its pH tells, by each rule for activities.
type Settled struct {
	totals [2]Totals
	start  [2]Equilibrium
}

// Settle finds the acid of the liquid, once for whatever may come to it.
func (l Liquid) Settle() (s Settled, err error) {
	for rule := range s.start {
		if s.start[rule], err = At(l.Totals, l.PH, l.Kelvin, Activity(rule)); err != nil {
			return Settled{}, err
		}
		s.totals[rule] = maps.Clone(l.Totals)
		s.totals[rule][H] = s.start[rule].Acid
	}
	return s, nil
}

// After returns the pH once change (mol/m³; H: acid made, below zero acid spent; a metal below zero: taken out) has
// come to the liquid. Best is by Davies' coefficients; the bounds are the two rules for activities.
func (s *Settled) After(change Totals, kelvin float64) (matter.Figure, error) {
	var got [2]float64
	for rule := range got {
		totals := maps.Clone(s.totals[rule])
		totals.Add(change, 1)
		for c, v := range totals {
			if c != H && v < 0 {
				totals[c] = 0
			}
		}
		e, err := solve(totals, kelvin, Activity(rule), math.NaN(), &s.start[rule])
		if err != nil {
			return matter.Figure{}, err
		}
		got[rule] = e.PH
	}
	return matter.Figure{Low: math.Min(got[0], got[1]), Value: got[Davies], High: math.Max(got[0], got[1])}, nil
}

// Onset is where a solid begins to fall.
type Onset struct {
	Solid *Solid
	PH    matter.Figure // from it upwards; low by the least soluble form and constants in print
}

// Hydroxides returns, for each hydroxide or basic salt that the liquid can form, the pH from which it falls out at the present
// totals, lowest first in the order of the table. Solids that never fall below pH 14 are left out.
func (l Liquid) Hydroxides() ([]Onset, error) {
	probe, err := At(l.Totals, l.PH, l.Kelvin, Davies)
	if err != nil {
		return nil, err
	}
	solved, last := make(map[float64]*Equilibrium), &probe // by pH: all solids are looked for at the same ones
	at := func(pH float64) (*Equilibrium, error) {
		if e, ok := solved[pH]; ok {
			return e, nil
		}
		e, err := solve(l.Totals, l.Kelvin, Davies, pH, last)
		if err == nil {
			solved[pH], last = &e, &e
		}
		return &e, err
	}
	var all []Onset
	for _, s := range probe.Solids() {
		if s.Of[H] >= 0 {
			continue
		}
		low, high := crossing(at, s, false), crossing(at, s, true)
		if math.IsNaN(low) {
			continue
		}
		if math.IsNaN(high) {
			high = 14
		}
		all = append(all, Onset{Solid: s, PH: matter.Figure{Low: low, Value: (low + high) / 2, High: high}})
	}
	return all, nil
}

// crossing finds by bisection the lowest pH from 0 to 14 at which a solid is saturated; NaN: at none. An amphoteric one dissolves again above.
func crossing(at func(pH float64) (*Equilibrium, error), s *Solid, soluble bool) float64 {
	beyond := func(pH float64) bool {
		e, err := at(pH)
		if err != nil {
			return false
		}
		low, high := e.Saturation(s)
		if soluble {
			return low > 0
		}
		return high > 0
	}
	const stepPH = 0.5
	for pH := 0.0; pH <= 14; pH += stepPH {
		if !beyond(pH) {
			continue
		}
		if pH == 0 {
			return 0
		}
		below, above := pH-stepPH, pH
		for above-below > 1e-3 {
			if middle := (below + above) / 2; beyond(middle) {
				above = middle
			} else {
				below = middle
			}
		}
		return above
	}
	return math.NaN()
}
