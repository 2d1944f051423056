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
	perCubicMetre  = 1000 // mol/m³ in 1 mol/L
	mostSteps      = 400
	mostRounds     = 60 // of activity coefficients
	daviesCap      = 0.5
	balanceClosure = 1e-13 // relative, of every mass balance
)

// errNoEquilibrium says that the mass balances could not be solved.
var errNoEquilibrium = errors.New("the mass balances of the solution cannot be solved")

// At solves the solution at a stated pH (activity scale) and finds the total of H that goes with it; totals[H] is ignored.
// The temperature is in kelvin, 273 to 373.
func At(totals Totals, pH, kelvin float64, rule Activity) (Equilibrium, error) {
	return solve(totals, kelvin, rule, pH)
}

// Solve finds the pH and everything else from totals, of which that of H counts.
func Solve(totals Totals, kelvin float64, rule Activity) (Equilibrium, error) {
	return solve(totals, kelvin, rule, math.NaN())
}

// system is one set of mass balances: unknown are the logarithms of the free components.
type system struct {
	components []Component // H first
	charges    []float64
	totals     []float64 // mol/L
	names      []string
	nu         [][]float64 // species × components
	lnK        []float64   // conditional: with the activity coefficients of this round
	lnK0       []float64
	z          []float64
	fixed      float64 // ln [H+] where the pH is stated; NaN otherwise
}

func solve(totals Totals, kelvin float64, rule Activity, pH float64) (Equilibrium, error) {
	if !(kelvin >= 273 && kelvin <= 373.2) {
		return Equilibrium{}, fmt.Errorf("%.4g K is outside 273 to 373 K, where the constants hold", kelvin)
	}
	s, err := newSystem(totals, kelvin)
	if err != nil {
		return Equilibrium{}, err
	}
	x := s.start()
	gamma := 0.0 // log10 of the coefficient of a single charge
	var strength float64
	for range mostRounds {
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
		if math.Abs(next-gamma) < 1e-12 {
			break
		}
		gamma = next
	}
	return s.result(x, gamma, strength, kelvin), nil
}

// newSystem picks the species that the components present can form.
func newSystem(totals Totals, kelvin float64) (*system, error) {
	t := constants()
	s := &system{components: []Component{H}, charges: []float64{1}, totals: []float64{totals[H] / perCubicMetre}}
	for _, c := range slices.Sorted(maps.Keys(totals)) {
		v := totals[c]
		charge, known := t.charges[c]
		switch {
		case !known:
			return nil, fmt.Errorf("no constants for %s", c)
		case math.IsNaN(v) || math.IsInf(v, 0) || v < 0 && c != H:
			return nil, fmt.Errorf("%s: a total of %g mol/m³ cannot be", c, v)
		case c == H || v == 0:
			continue
		}
		s.components, s.charges, s.totals = append(s.components, c), append(s.charges, charge), append(s.totals, v/perCubicMetre)
	}
	for j, c := range s.components { // the free components are species of their own
		nu := make([]float64, len(s.components))
		nu[j] = 1
		s.add(string(c), nu, 0, s.charges[j])
	}
	for i := range t.species {
		sp := &t.species[i]
		if !s.forms(sp.Of) {
			continue
		}
		nu := make([]float64, len(s.components))
		for c, n := range sp.Of {
			nu[slices.Index(s.components, c)] = n
		}
		s.add(sp.Name, nu, sp.logK(kelvin)*math.Ln10, sp.charge)
	}
	s.lnK = slices.Clone(s.lnK0)
	return s, nil
}

// forms tells whether all components of a species are present.
func (s *system) forms(of map[Component]float64) bool {
	for c := range of {
		if !slices.Contains(s.components, c) {
			return false
		}
	}
	return true
}

func (s *system) add(name string, nu []float64, lnK, z float64) {
	s.names, s.nu, s.lnK0, s.z = append(s.names, name), append(s.nu, nu), append(s.lnK0, lnK), append(s.z, z)
}

// condition turns the constants into those between concentrations, for log10 γ of a single charge.
func (s *system) condition(gamma float64) {
	for i, nu := range s.nu {
		sum := -s.z[i] * s.z[i]
		for j, n := range nu {
			sum += n * s.charges[j] * s.charges[j]
		}
		s.lnK[i] = s.lnK0[i] + sum*gamma*math.Ln10
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

// concentrations are those of all species at x, mol/L.
func (s *system) concentrations(x []float64) []float64 {
	c := make([]float64, len(s.nu))
	for i, nu := range s.nu {
		e := s.lnK[i]
		for j, n := range nu {
			if n != 0 {
				e += n * x[j]
			}
		}
		c[i] = math.Exp(math.Min(e, 300)) // beyond that a guess is absurd anyway, and the step leads back
	}
	return c
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
	value, gradient, hessian, closed := s.evaluate(x, first)
	for range mostSteps {
		if closed {
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
			v, g, h, done := s.evaluate(next, first)
			// Close to the minimum the function is flat to the last digit, and the slope goes on telling.
			if done || v < value-1e-12*math.Abs(value) || v <= value+1e-12*math.Abs(value) && slope(g, h) < slope(gradient, hessian) {
				x, value, gradient, hessian, closed, moved = next, v, g, h, done, true
				break
			}
			scale /= 2
		}
		if !moved {
			break
		}
	}
	if closed || s.nearlyClosed(x, first) {
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

// evaluate returns the function, its slope, its curvature as the upper triangle of a matrix row by row, and whether every balance closes.
func (s *system) evaluate(x []float64, first int) (value float64, gradient, hessian []float64, closed bool) {
	n := len(x) - first
	gradient, hessian = make([]float64, n), make([]float64, n*n)
	size := make([]float64, n)
	for k := range n {
		t := s.totals[first+k]
		gradient[k], size[k] = -t, math.Abs(t)
		value -= t * x[first+k]
	}
	for i, c := range s.concentrations(x) {
		value += c
		nu := s.nu[i]
		nu = nu[first:]
		for k, a := range nu {
			if a == 0 {
				continue
			}
			gradient[k] += a * c
			size[k] += math.Abs(a * c)
			row := hessian[k*n:]
			for l := k; l < n; l++ {
				if b := nu[l]; b != 0 {
					row[l] += a * b * c
				}
			}
		}
	}
	closed = true
	for k := range n {
		closed = closed && math.Abs(gradient[k]) <= balanceClosure*size[k]
	}
	return value, gradient, hessian, closed
}

// nearlyClosed accepts what rounding keeps from closing further: parts in 10⁹.
func (s *system) nearlyClosed(x []float64, first int) bool {
	_, gradient, _, _ := s.evaluate(x, first)
	c := s.concentrations(x)
	for k, g := range gradient {
		size := math.Abs(s.totals[first+k])
		for i := range c {
			size += math.Abs(s.nu[i][first+k] * c[i])
		}
		if math.Abs(g) > 1e-9*size {
			return false
		}
	}
	return true
}

// descent solves for Newton's step, scaled by the diagonal and with a trace added to it until it can be solved.
func descent(gradient, hessian []float64) []float64 {
	n := len(gradient)
	scale := make([]float64, n)
	for k := range n {
		scale[k] = 1 / math.Sqrt(math.Max(hessian[k*n+k], math.SmallestNonzeroFloat64*1e20))
	}
	right := make([]float64, n)
	for k := range n {
		right[k] = -gradient[k] * scale[k]
	}
	for damp := 0.0; ; damp = math.Max(1e-14, damp*100) {
		scaled := make([]float64, n*n)
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
	for i, c := range s.concentrations(x) {
		sum += s.z[i] * s.z[i] * c
		charge += s.z[i] * c
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
