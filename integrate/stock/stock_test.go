package stock

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

func figure(value, u float64) matter.Figure { return matter.GivenFigure(value, u) }

func near(t testing.TB, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-12*math.Max(math.Abs(want), 1e-6)) {
		t.Errorf("%s is %.15g; want %.15g", what, got, want)
	}
}

// TestAnAssayIsWeighedWithTheAccount: with a volume that is known, what is left is the weighted mean of account and assay, and its doubt
// that of the mean.
func TestAnAssayIsWeighedWithTheAccount(t *testing.T) {
	s := Of(figure(0.050, 0.003), figure(1e-3, 0), false)
	s.Assay(figure(46, 4)) // 46 g with 4 g, beside 50 g with 3 g
	near(t, "metal", s.Metal().Value, (50.0/9+46.0/16)/(1.0/9+1.0/16)/1e3)
	near(t, "its doubt", s.Metal().StandardUncertainty, math.Sqrt(1/(1.0/9+1.0/16))/1e3)
	near(t, "unaccounted", s.Books().Unaccounted, s.Metal().Value-0.050)
}

// TestRunsShareTheBiasOfAnEfficiency: the doubts of two runs that nobody measured add up, their scatter as squares; a weighing of the one
// tells of the other.
func TestRunsShareTheBiasOfAnEfficiency(t *testing.T) {
	run := func(s *Stock) {
		s.Begin(0, 0)
		s.Take(Stretch{Won: 0.010, ByEfficiency: 0.0005})
	}
	s := Of(figure(0.050, 0), figure(1e-3, 0), false)
	run(s)
	run(s)
	near(t, "the doubt of two", s.Metal().StandardUncertainty, math.Hypot(2*0.0005, math.Sqrt2*Scatter*0.010))
	weighed := Of(figure(0.050, 0), figure(1e-3, 0), false)
	run(weighed)
	weighed.Weighed(figure(0.0095, 0))
	near(t, "left after the weighing", weighed.Metal().Value, 0.0405)
	near(t, "its doubt", weighed.Metal().StandardUncertainty, 0)
	run(weighed)
	own := Scatter * 0.010
	learned := -0.0005 * 0.0005 * 0.0005 / (0.0005*0.0005 + own*own) // of the 0.5 g that were missing, what the bias is believed to be
	near(t, "what the next run is believed to win", weighed.Cathode().Value, 0.010+learned)
}

// TestAConcentrationSharesTheErrorOfTheVolume: metal stated by its concentration is as uncertain as the volume, and the concentration is not.
func TestAConcentrationSharesTheErrorOfTheVolume(t *testing.T) {
	s := Of(figure(0.050, 0.050*math.Hypot(0.02, 0.01)), figure(1e-3, 0.02e-3), true)
	near(t, "concentration", s.Concentration().StandardUncertainty, 50*0.01)
	apart := Of(figure(0.050, 0.050*math.Hypot(0.02, 0.01)), figure(1e-3, 0.02e-3), false)
	near(t, "stated apart", apart.Concentration().StandardUncertainty, 50*math.Hypot(math.Hypot(0.02, 0.01), 0.02))
}

// TestTheBooksClose: whatever is done in whatever order, the ways of the metal add up, doubts are real, and nothing that is refused
// changes anything.
func TestTheBooksClose(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Of(figure(0.05, 0.001), figure(0.9e-3, 0.02e-3), rapid.Bool().Draw(t, "shared"))
		s.Begin(0.001, 0.05)
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			x := rapid.Float64Range(0, 1).Draw(t, "x")
			switch rapid.IntRange(0, 7).Draw(t, "what") {
			case 0:
				_ = s.Add(figure(0.02*x, 0.0002*x), figure(1e-4*x, 1e-6*x))
			case 1:
				_ = s.Add(matter.Figure{}, figure(-1e-4*x, 1e-5*x))
			case 2:
				all := func() string { return fmt.Sprint(s.x.RawVector(), s.p.RawSymmetric(), s.b, s.m) }
				before := all()
				if s.Draw(figure(1.2e-3*x*x, 1e-5*x), x > 0.5) != nil && all() != before {
					t.Fatal("a draw that was refused changed something")
				}
			case 3:
				s.Measured(figure(1e-3*x, 1e-5))
			case 4:
				s.Assay(figure(50*x, 0.5))
			case 5:
				s.Begin(0.001, 0.05)
			case 6:
				s.Take(Stretch{Won: 0.01 * x, Anode: 0.001 * x, ByAnode: 0.0002 * x, Crossed: 0.0003 * x, ByCrossing: 0.0002 * x, ByEfficiency: 0.0004 * x, ByTransfer: 0.0002 * x, ByMetal: 0.1 * x})
			case 7:
				s.Weighed(figure(0.01*x, 1e-5))
			}
			b := s.Books()
			if sum := b.Supplied + b.Unaccounted - b.Sampled - b.Discarded - b.Cathode - b.Anode - b.Crossed - b.Left; math.Abs(sum) > 1e-9*b.Supplied {
				t.Fatalf("%g kg are nowhere: %+v", sum, b)
			}
			for _, f := range []matter.Figure{s.Metal(), s.Volume(), s.Concentration(), s.Cathode()} {
				if !(f.StandardUncertainty >= 0) || math.IsInf(f.StandardUncertainty, 0) {
					t.Fatalf("%+v", f)
				}
			}
		}
	})
}
