// Package bath turns what is in the beaker into a charge to pass and a time to
// wait, and follows the bath, the deposit and the end of the run under the
// actual current.
//
// Contents is what the operator states. Target says what is wanted, Efficiency
// what the current is expected to do, Conditions under which current and area.
// NewPlan settles them into a Goal, which is a range with its uncertainty budget, and
// a Drawdown, the model that the watch advances with each reading.
//
// All numbers are SI: m3, kg, mol, C, s, A, V, J, K. A standard uncertainty of 0
// in a given figure means that none was stated, and a default is taken. The package is
// deterministic: it has no clock, file or goroutine.
package bath

import (
	"errors"
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// Standard uncertainties, relative, of figures that the operator gives without
// one. Common practice, no source: a level mark, a reagent label, a bench balance, a hand titration.
const (
	VolumeDoubt        = 0.015
	AssayDoubt         = 0.01
	BalanceDoubt       = 0.001
	ConcentrationDoubt = 0.01
	MetalMassDoubt     = 0.01
	EfficiencyDoubt    = 0.04
	MassTransferDoubt  = 0.3
	AreaDoubt          = 0.03
)

// Mistake is one thing that is wrong with what was stated. Field names it in the
// words of this package; whoever read it from a flag or a file knows where that stands.
type Mistake struct {
	Field   string // such as "volume" or "salts[0].formula"
	Problem string // what is wrong
	Remedy  string // what would be right
}

func (m *Mistake) Error() string {
	if m.Remedy == "" {
		return m.Field + ": " + m.Problem
	}
	return m.Field + ": " + m.Problem + "; " + m.Remedy
}

// Mistakes lists the mistakes joined in an error of this package.
func Mistakes(err error) []*Mistake {
	var one *Mistake
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []*Mistake
		for _, e := range joined.Unwrap() {
			all = append(all, Mistakes(e)...)
		}
		return all
	}
	if errors.As(err, &one) {
		return []*Mistake{one}
	}
	return nil
}

// mistakes collects what is wrong, so that all of it is said at once.
type mistakes struct{ list []error }

func (m *mistakes) add(field, remedy, format string, args ...any) {
	m.list = append(m.list, &Mistake{Field: field, Problem: fmt.Sprintf(format, args...), Remedy: remedy})
}

func (m *mistakes) err() error { return errors.Join(m.list...) }

// positive checks a figure that, if it is known, has to be above zero and finite.
func (m *mistakes) positive(field, remedy string, f matter.Figure) bool {
	if f.Known() && (!(f.Value > 0) || math.IsInf(f.Value, 0)) {
		m.add(field, remedy, "it is %g", f.Value)
		return false
	}
	if f.StandardUncertainty < 0 || math.IsNaN(f.StandardUncertainty) || math.IsInf(f.StandardUncertainty, 0) {
		m.add(field, "", "its uncertainty is %g; it cannot be below zero", f.StandardUncertainty)
		return false
	}
	return f.Known()
}

// share checks a figure that, if it is known, has to lie above 0 and at most at 1.
func (m *mistakes) share(field string, f matter.Figure, above string) bool {
	if !m.positive(field, "a share above 0 % and up to 100 % is needed", f) {
		return false
	}
	if f.Value > 1 {
		m.add(field, "a share above 0 % and up to 100 % is needed", "it is %.4g %%, and %s", f.Value*100, above)
		return false
	}
	return true
}

// doubted gives a figure without a stated uncertainty the default relative one.
func doubted(f matter.Figure, relative float64) matter.Figure {
	if f.Known() && f.StandardUncertainty == 0 {
		f.StandardUncertainty = math.Abs(f.Value) * relative
	}
	return f
}

// Quality is what a load ratio i/i_lim usually means for the deposit.
type Quality struct {
	Word   string // for a table
	Text   string // for a sentence
	Mark   matter.Mark
	Source string
}

// QualityAt returns the usual deposit at a ratio of current density to limiting
// current density. The bounds 1/3, 2/3 and 1 are common practice, no source, and
// agree with published work on copper in that open, powdery deposits come near and beyond the limit.
func QualityAt(loadRatio float64) Quality {
	q := Quality{Mark: matter.Assumed, Source: "common practice, no source"}
	switch {
	case !(loadRatio > 0):
		return Quality{}
	case loadRatio < 1.0/3:
		q.Word, q.Text = "compact", "compact, adherent metal"
	case loadRatio < 2.0/3:
		q.Word, q.Text = "rough", "rougher metal with nodules; wash and handle with care"
	case loadRatio < 1:
		q.Word, q.Text = "dendritic", "dendrites and sponge that short the cell and fall off"
	default:
		q.Word, q.Text = "powder", "powder with vigorous hydrogen"
	}
	return q
}

// product multiplies independent figures.
func product(x, y matter.Figure) matter.Figure {
	value := x.Value * y.Value
	return matter.Figure{Value: value, StandardUncertainty: math.Abs(value) * math.Hypot(x.Relative(), y.Relative()), Mark: matter.Weakest(x.Mark, y.Mark)}
}

// perVolume divides independent figures.
func perVolume(x, volume matter.Figure) matter.Figure {
	return product(x, matter.Figure{Value: 1 / volume.Value, StandardUncertainty: volume.StandardUncertainty / (volume.Value * volume.Value), Mark: volume.Mark})
}

func scaledFigure(x matter.Figure, factor float64) matter.Figure {
	x.Value, x.StandardUncertainty = x.Value*factor, x.StandardUncertainty*math.Abs(factor)
	return x
}

// added adds a figure to one that may not be known yet.
func added(x, y matter.Figure) matter.Figure {
	return matter.Figure{Value: x.Value + y.Value, StandardUncertainty: math.Hypot(x.StandardUncertainty, y.StandardUncertainty), Mark: matter.Weakest(x.Mark, y.Mark)}
}
