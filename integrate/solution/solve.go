package solution

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// Activity is the rule for activity coefficients. Between the two lies what an honest answer about a
// concentrated bath must span, because neither holds above some 0.5 mol/L.
type Activity int

// The rules.
const (
	Ideal  Activity = iota // concentrations, as worked examples of textbooks have it
	Davies                 // Davies' equation; above an ionic strength of 0.5 mol/L its value there
)

// Totals is what a solution holds of each component in all its forms together, mol/m³. The total of H is
// the acid that went in less the base, and may be negative.
type Totals map[Component]float64

const (
	perCubicMetre = 1000 // mol/m³ in 1 mol/L
	mostSteps     = 400
	mostRounds    = 60 // of activity coefficients
	daviesCap     = 0.5
	// Relative, of every mass balance: what is aimed at, and what is accepted where rounding keeps it from closing further.
	balanceClosure, roundingClosure = 1e-13, 1e-9
)

// errNoEquilibrium says that the mass balances could not be solved.
var errNoEquilibrium = errors.New("the mass balances of the solution cannot be solved")

// At solves the solution at a stated pH (activity scale) and finds the total of H that goes with it; totals[H] is ignored.
// The temperature is in kelvin, 273 to 373.
func At(totals Totals, pH, kelvin float64, rule Activity) (Equilibrium, error) {
	return solve(totals, kelvin, rule, pH, nil)
}

// Solve finds the pH and everything else from totals, of which that of H counts.
func Solve(totals Totals, kelvin float64, rule Activity) (Equilibrium, error) {
	return solve(totals, kelvin, rule, math.NaN(), nil)
}

// system is one set of mass balances: unknown are the logarithms of the free components.
type system struct {
	components []Component // H first
	charges    []float64
	totals     []float64 // mol/L
	species    []member
	fixed      float64 // ln [H+] where the pH is stated; NaN otherwise
}

// member is a species among the components of a system.
type member struct {
	name  string
	parts []part
	lnK0  float64
	lnK   float64 // conditional: with the activity coefficients of this round
	z     float64
	shift float64 // of lnK per ln of the coefficient of a single charge
}

// part is how much of a component, by its number, a species or a solid holds.
type part struct {
	of     int
	number float64
}

// solve begins at a solution that is alike, if there is one.
func solve(totals Totals, kelvin float64, rule Activity, pH float64, alike *Equilibrium) (Equilibrium, error) {
	if !(kelvin >= 273 && kelvin <= 373.2) {
		return Equilibrium{}, fmt.Errorf("%.4g K is outside 273 to 373 K, where the constants hold", kelvin)
	}
	s, err := newSystem(totals, kelvin)
	if err != nil {
		return Equilibrium{}, err
	}
	x := s.start()
	var strength, before, off float64
	gamma := 0.0 // log10 of the coefficient of a single charge
	if alike != nil && slices.Equal(alike.components, s.components) {
		x, gamma = slices.Clone(alike.free), alike.gamma
	}
	for round := range mostRounds {
		s.condition(gamma)
		s.fixed = math.NaN()
		if !math.IsNaN(pH) {
			s.fixed = -(pH + gamma) * math.Ln10
		}
		if x, err = s.newton(x); err != nil {
			return Equilibrium{}, err
		}
		strength = s.strength(x)
		if rule == Ideal {
			break
		}
		next := davies(strength, kelvin)
		was := off
		off = next - gamma
		if math.Abs(off) < 1e-12 {
			break
		}
		// The secant to where the coefficient agrees with itself, as long as it draws nearer; the coefficient itself is a step that always does.
		if slope := (off - was) / (gamma - before); round > 0 && math.Abs(off) < math.Abs(was) && slope < -0.1 {
			next = gamma - off/slope
		}
		before, gamma = gamma, next
	}
	return s.result(x, gamma, strength, kelvin), nil
}

// newSystem picks the species that the components present can form.
func newSystem(totals Totals, kelvin float64) (*system, error) {
	t := constants()
	s := &system{components: []Component{H}, charges: []float64{1}, totals: []float64{totals[H] / perCubicMetre}}
	here := make([]int, len(t.components)) // number in the system, from 1; 0: it is not there
	here[t.number[H]] = 1
	for _, c := range slices.Sorted(maps.Keys(totals)) {
		v := totals[c]
		number, known := t.number[c]
		switch {
		case !known:
			return nil, fmt.Errorf("no constants for %s", c)
		case math.IsNaN(v) || math.IsInf(v, 0) || v < 0 && c != H:
			return nil, fmt.Errorf("%s: a total of %g mol/m³ cannot be", c, v)
		case c == H || v == 0:
			continue
		}
		s.components, s.charges, s.totals = append(s.components, c), append(s.charges, t.components[number].Charge), append(s.totals, v/perCubicMetre)
		here[number] = len(s.components)
	}
	s.species = make([]member, 0, 16*len(s.components))
	for j, c := range s.components { // the free components are species of their own
		s.species = append(s.species, member{name: string(c), parts: []part{{j, 1}}, z: s.charges[j]})
	}
	for i := range t.species {
		sp := &t.species[i]
		if slices.ContainsFunc(sp.parts, func(p part) bool { return here[p.of] == 0 }) {
			continue
		}
		m := member{name: sp.Name, parts: make([]part, len(sp.parts)), lnK0: sp.logK(kelvin) * math.Ln10, z: sp.charge, shift: -sp.charge * sp.charge}
		for k, p := range sp.parts {
			j := here[p.of] - 1
			m.parts[k] = part{j, p.number}
			m.shift += p.number * s.charges[j] * s.charges[j]
		}
		s.species = append(s.species, m)
	}
	return s, nil
}

// condition turns the constants into those between concentrations, for log10 γ of a single charge.
func (s *system) condition(gamma float64) {
	for i := range s.species {
		m := &s.species[i]
		m.lnK = m.lnK0 + m.shift*gamma*math.Ln10
	}
}

// start guesses: neutral, and a tenth of each total free.
func (s *system) start() []float64 {
	x := make([]float64, len(s.components))
	x[0] = -7 * math.Ln10
	for j := 1; j < len(x); j++ {
		x[j] = math.Log(s.totals[j] / 10)
	}
	return x
}

// concentration is that of a species at x, mol/L.
func (m *member) concentration(x []float64) float64 {
	e := m.lnK
	for _, p := range m.parts {
		e += p.number * x[p.of]
	}
	return math.Exp(math.Min(e, 300)) // beyond that a guess is absurd anyway, and the step leads back
}

// newton minimizes Σ c_i − Σ T_j·x_j, which is convex and whose minimum satisfies every mass balance. Steps
// are held short and damped, so that it converges from anywhere.
func (s *system) newton(x []float64) ([]float64, error) {
	x = slices.Clone(x)
	first := 0
	if !math.IsNaN(s.fixed) {
		x[0], first = s.fixed, 1
	}
	n := len(x) - first
	if n == 0 {
		return x, nil
	}
	value, gradient, hessian, open := s.evaluate(x, first)
	for range mostSteps {
		if open <= balanceClosure {
			return x, nil
		}
		step := descent(gradient, hessian)
		longest := 0.0
		for _, v := range step {
			longest = math.Max(longest, math.Abs(v))
		}
		scale := math.Min(1, 8/longest)
		moved := false
		for range 40 {
			next := slices.Clone(x)
			for k, v := range step {
				next[first+k] += scale * v
			}
			v, g, h, o := s.evaluate(next, first)
			// Close to the minimum the function is flat to the last digit, and the slope goes on telling.
			if o <= balanceClosure || v < value-1e-12*math.Abs(value) || v <= value+1e-12*math.Abs(value) && slope(g, h) < slope(gradient, hessian) {
				x, value, gradient, hessian, open, moved = next, v, g, h, o, true
				break
			}
			scale /= 2
		}
		if !moved {
			break
		}
	}
	if open <= roundingClosure {
		return x, nil
	}
	return nil, errNoEquilibrium
}

// slope is the length of the gradient, each part in units of its own curvature.
func slope(gradient, hessian []float64) float64 {
	sum := 0.0
	for k, g := range gradient {
		sum += g * g / hessian[k*len(gradient)+k]
	}
	return sum
}

// evaluate returns the function, its slope, its curvature as the upper triangle of a matrix row by row, and the relative gap of the balance that is
// furthest from closing.
func (s *system) evaluate(x []float64, first int) (value float64, gradient, hessian []float64, open float64) {
	n := len(x) - first
	room := make([]float64, n*(n+2))
	gradient, size, hessian := room[:n:n], room[n:2*n:2*n], room[2*n:]
	for k := range n {
		t := s.totals[first+k]
		gradient[k], size[k] = -t, math.Abs(t)
		value -= t * x[first+k]
	}
	for i := range s.species {
		m := &s.species[i]
		c := m.concentration(x)
		value += c
		for _, p := range m.parts {
			k := p.of - first
			if k < 0 {
				continue
			}
			a := p.number * c
			gradient[k] += a
			size[k] += math.Abs(a)
			for _, q := range m.parts {
				if l := q.of - first; l >= k {
					hessian[k*n+l] += a * q.number
				}
			}
		}
	}
	for k := range n {
		open = math.Max(open, math.Abs(gradient[k])/math.Max(size[k], math.SmallestNonzeroFloat64))
	}
	return value, gradient, hessian, open
}

// descent solves for Newton's step, scaled by the diagonal and with a trace added to it until it can be solved.
func descent(gradient, hessian []float64) []float64 {
	n := len(gradient)
	room := make([]float64, n*(n+2))
	scale, right, scaled := room[:n:n], room[n:2*n:2*n], room[2*n:]
	for k := range n {
		scale[k] = 1 / math.Sqrt(math.Max(hessian[k*n+k], math.SmallestNonzeroFloat64*1e20))
	}
	for k := range n {
		right[k] = -gradient[k] * scale[k]
	}
	for damp := 0.0; ; damp = math.Max(1e-14, damp*100) {
		for k := range n {
			for l := k; l < n; l++ {
				scaled[k*n+l] = hessian[k*n+l] * scale[k] * scale[l]
			}
			scaled[k*n+k] += damp
		}
		factor, definite := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: scaled})
		if !definite && damp < 1e6 {
			continue
		}
		lapack64.Potrs(factor, blas64.General{Rows: n, Cols: 1, Stride: 1, Data: right})
		for k := range n {
			right[k] *= scale[k]
		}
		return right
	}
}

// strength is the ionic strength in mol/L, with single charges of the other sign for whatever the components leave unbalanced.
func (s *system) strength(x []float64) float64 {
	sum, charge := 0.0, 0.0
	for i := range s.species {
		m := &s.species[i]
		c := m.concentration(x)
		sum += m.z * m.z * c
		charge += m.z * c
	}
	return (sum + math.Abs(charge)) / 2
}

// davies returns log10 γ of a single charge, −A·(√I/(1+√I) − 0.3·I), with Debye and Hückel's A
// interpolated between 0.4939, 0.5114, 0.5465 and 0.5995 at 0, 25, 60 and 100 °C (thermo.com
// V8.R6.230, as reprinted in the U.S. Geological Survey's llnl data file).
func davies(strength, kelvin float64) float64 {
	i := math.Min(strength, daviesCap)
	t := []float64{273.15, 298.15, 333.15, 373.15}
	a := []float64{0.4939, 0.5114, 0.5465, 0.5995}
	k := 0
	for k < len(t)-2 && kelvin > t[k+1] {
		k++
	}
	slope := (a[k+1] - a[k]) / (t[k+1] - t[k])
	root := math.Sqrt(i)
	return -(a[k] + slope*(kelvin-t[k])) * (root/(1+root) - 0.3*i)
}
