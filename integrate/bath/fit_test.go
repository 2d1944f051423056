package bath

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"

	"gonum.org/v1/gonum/optimize"
	"pgregory.net/rapid"
)

// assaysOf makes the assays of a run at constant current, exact but for offsets in kg/m3.
func assaysOf(b Batch, mol, molar, amperes float64, hours, offsets []float64) []Assay {
	var out []Assay
	for i, h := range hours {
		seconds := h * 3600
		c := (mol - b.Won(mol, amperes, seconds)) * molar / b.Volume
		out = append(out, Assay{Charge: amperes * seconds, Seconds: seconds, Concentration: matter.GivenFigure(c+offsets[i], 0.01*c)})
	}
	return out
}

// TestFitFindsTheTruth: from two exact assays, one of them in the poor bath, the mass transfer comes back.
func TestFitFindsTheTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: math.Exp(rapid.Float64Range(math.Log(3e-6), math.Log(5e-5)).Draw(t, "ln k")), Efficiency: 0.95}
		const molar = 0.063546
		mol := 0.080 / molar
		end := b.Time(mol, rapid.Float64Range(0.05, 0.5).Draw(t, "share")*math.Min(b.Critical(4), mol), 4)
		fit, err := FitTransfer(Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, Efficiency: 0.95}, molar, assaysOf(b, mol, molar, 4, []float64{0, end / 3600}, []float64{0, 0}), false)
		if err != nil {
			t.Fatal(err)
		}
		if fit.AtLeast || math.Abs(fit.MassTransfer.Value/b.MassTransfer-1) > 1e-5 {
			t.Fatalf("found %g m/s (%+v), truth %g m/s", fit.MassTransfer.Value, fit, b.MassTransfer)
		}
		if fit.MassTransfer.Mark != matter.Measured || !(fit.MassTransfer.StandardUncertainty > 0) {
			t.Fatalf("%+v", fit.MassTransfer)
		}
	})
}

// TestFitAgainstGonum: efficiency and mass transfer from six scattered assays,
// against gonum's simplex search on the same sum of squares, written down anew.
func TestFitAgainstGonum(t *testing.T) {
	const molar, amperes = 0.063546, 4.0
	truth := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.93}
	mol := 0.080 / molar
	assays := assaysOf(truth, mol, molar, amperes, []float64{0, 5, 10, 15, 18, 21}, []float64{0, 0.15, -0.1, 0.05, -0.03, 0.01})
	known := truth
	known.MassTransfer, known.Efficiency = 0, 1
	fit, err := FitTransfer(known, molar, assays, true)
	if err != nil {
		t.Fatal(err)
	}
	squares := func(x []float64) float64 {
		efficiency, k := x[0], math.Exp(x[1])
		if efficiency <= 0 || efficiency > 1 {
			return 1e9
		}
		sum := 0.0
		for _, a := range assays[1:] {
			n, left := assays[0].Concentration.Value*truth.Volume/molar, a.Seconds
			critical := efficiency * amperes * truth.Volume / (2 * matter.Faraday * k * truth.Area)
			if linear := (n - critical) * 2 * matter.Faraday / (efficiency * amperes); left < linear {
				n -= efficiency * amperes * left / (2 * matter.Faraday)
			} else {
				n = critical * math.Exp(-k*truth.Area/truth.Volume*(left-linear))
			}
			z := (a.Concentration.Value - n*molar/truth.Volume) / a.Concentration.StandardUncertainty
			sum += z * z
		}
		return sum
	}
	result, err := optimize.Minimize(optimize.Problem{Func: squares}, []float64{0.9, math.Log(2e-5)}, nil, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fit.Efficiency.Value, result.X[0]; math.Abs(got/want-1) > 1e-3 {
		t.Errorf("efficiency %.6g, gonum %.6g", got, want)
	}
	if got, want := fit.MassTransfer.Value, math.Exp(result.X[1]); math.Abs(got/want-1) > 1e-3 {
		t.Errorf("mass transfer %.6g, gonum %.6g", got, want)
	}
	for name, pair := range map[string][2]float64{"efficiency": {fit.Efficiency.Value - 0.93, fit.Efficiency.StandardUncertainty}, "mass transfer": {fit.MassTransfer.Value - 1e-5, fit.MassTransfer.StandardUncertainty}} {
		if math.Abs(pair[0]) > 3*pair[1] {
			t.Errorf("%s is off by %g, its standard uncertainty is %g", name, pair[0], pair[1])
		}
	}
	if fit.Misfit > 2 {
		t.Errorf("misfit %g", fit.Misfit)
	}
}

// TestFitKnowsItsLimits: assays of a bath that never became poor give a lower bound only.
func TestFitKnowsItsLimits(t *testing.T) {
	const molar = 0.063546
	truth := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}
	fit, err := FitTransfer(truth, molar, assaysOf(truth, 0.080/molar, molar, 4, []float64{0, 6}, []float64{0, 0}), false)
	if err != nil {
		t.Fatal(err)
	}
	if !fit.AtLeast || fit.MassTransfer.Value > 1e-5 || fit.MassTransfer.Value < 1e-6 {
		t.Errorf("%+v, want a lower bound below the truth of 1e-5", fit)
	}
	rich := Assay{Seconds: 0, Concentration: given(40)}
	later := Assay{Seconds: 3600, Charge: 14400, Concentration: given(41)}
	for words, assays := range map[string][]Assay{
		"2 are needed":          {rich},
		"nothing was deposited": {rich, later},
		"beyond those":          {rich, {Concentration: given(30)}},
		"above zero":            {rich, {Seconds: 1, Charge: 1}},
	} {
		if _, err := FitTransfer(truth, molar, assays, false); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%v: %v, want %q", assays, err, words)
		}
	}
	if _, err := FitTransfer(truth, molar, []Assay{rich, {Seconds: 9, Charge: 9, Concentration: given(30)}}, true); err == nil || !strings.Contains(err.Error(), "3 are needed") {
		t.Errorf("two assays for two unknowns: %v", err)
	}
	if _, err := FitTransfer(Batch{}, molar, []Assay{rich, later}, false); err == nil {
		t.Error("a batch without a volume was taken")
	}
}

// TestTaperHoldsTheRatio: no setting ever exceeds the ratio, the metal is all
// accounted for, and the time is that of the exponential in the comment of Programme.
func TestTaperHoldsTheRatio(t *testing.T) {
	b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}
	from, to := 1.2, 0.06
	settings, err := b.Programme(from, to, Taper{LoadRatio: 1.0 / 3})
	if err != nil {
		t.Fatal(err)
	}
	mol, charge, at := from, 0.0, 0.0
	for i, s := range settings {
		if s.LoadRatio > 1.0/3+1e-9 || math.Abs(s.At-at) > 1e-6 || (i > 0 && s.Amperes >= settings[i-1].Amperes) {
			t.Fatalf("setting %d: %+v", i, s)
		}
		mol -= b.Won(mol, s.Amperes, s.Seconds)
		charge += s.Coulombs
		at += s.Seconds
	}
	if math.Abs(mol-to) > 1e-9 {
		t.Errorf("it ends at %g mol, want %g", mol, to)
	}
	if want := (from - to) * 2 * matter.Faraday / 0.95; math.Abs(charge/want-1) > 1e-9 {
		t.Errorf("it passes %g C, want %g: nothing is wasted", charge, want)
	}
	if ideal := math.Log(from/to) / (b.rate() * 0.95 / 3); math.Abs(at/ideal-1) > 0.06 {
		t.Errorf("it takes %g s, the exponential %g s", at, ideal)
	}
	settings, err = b.Programme(from, to, Taper{LoadRatio: 0.5, MaxCurrent: 2})
	if err != nil {
		t.Fatal(err)
	}
	if settings[0].Amperes != 2 || settings[0].LoadRatio > 0.5+1e-9 || settings[1].Amperes >= 2 {
		t.Errorf("the programme begins %+v, then %+v", settings[0], settings[1])
	}
}

func TestTaperRefusals(t *testing.T) {
	b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}
	fixed := b
	fixed.MassTransfer = 0
	for words, err := range map[string]error{
		"needs a mass transfer": second(fixed.Programme(1, 0.5, Taper{LoadRatio: 0.3})),
		"load ratio":            second(b.Programme(1, 0.5, Taper{})),
		"up to 1":               second(b.Programme(1, 0.5, Taper{LoadRatio: 1.1})),
		"not to nothing":        second(b.Programme(1, 0, Taper{LoadRatio: 0.3})),
		"leave more":            second(b.Programme(1, 1e-12, Taper{LoadRatio: 0.3})),
	} {
		if err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%v, want %q", err, words)
		}
	}
	charge := zincOrder()
	charge.Target = Target{Charge, given(1000)}
	if _, err := mustPlan(t, charge).Programme(Taper{LoadRatio: 0.3}); err == nil {
		t.Error("a plain charge got a taper")
	}
	if settings, err := mustPlan(t, twoStageOrder()).Programme(Taper{LoadRatio: 0.4, MaxCurrent: 4}); err != nil || len(settings) < 5 {
		t.Errorf("%d settings, %v", len(settings), err)
	}
}

func TestQuality(t *testing.T) {
	for ratio, word := range map[float64]string{0: "", 0.1: "compact", 0.5: "rough", 0.8: "dendritic", 1: "powder", 7: "powder", math.Inf(1): "powder"} {
		if q := QualityAt(ratio); q.Word != word {
			t.Errorf("i/i_lim %g: %q, want %q", ratio, q.Word, word)
		}
	}
}

// TestFitFollowsTheVolume: a bath that evaporates and is sampled gives its transfer back when
// volumes and samples are stated, and a wrong one when they are not. The truth is stepped
// minute by minute with a volume that falls all along.
func TestFitFollowsTheVolume(t *testing.T) {
	const molar, amperes, evaporates = 0.063546, 4.0, 8e-9 // kg/mol, A, m3/s: 0.35 L in 12 h
	b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}
	truth, mol, sample := b, 0.080/molar, 50e-6
	var stated, bare []Assay
	for minute := range 19*60 + 1 {
		if minute%(60*6) == 0 || minute == 19*60 {
			a := Assay{Charge: amperes * 60 * float64(minute), Seconds: 60 * float64(minute), Concentration: matter.GivenFigure(mol*molar/truth.Volume, 0.02)}
			bare = append(bare, a)
			a.Volume, a.Sampled = truth.Volume, sample
			stated = append(stated, a)
			mol *= 1 - sample/truth.Volume
			truth.Volume -= sample
		}
		mol -= truth.Won(mol, amperes, 60)
		truth.Volume -= evaporates * 60
	}
	fit, err := FitTransfer(b, molar, stated, false)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(fit.MassTransfer.Value/1e-5-1) > 0.05 || fit.AtLeast {
		t.Errorf("with volumes stated %g m/s, the truth is 1e-5 m/s", fit.MassTransfer.Value)
	}
	if wrong, err := FitTransfer(b, molar, bare, false); err == nil && math.Abs(wrong.MassTransfer.Value/1e-5-1) < 0.05 && wrong.Misfit < 2 {
		t.Errorf("without volumes %g m/s, misfit %g: nothing tells that they matter", wrong.MassTransfer.Value, wrong.Misfit)
	}
}

// TestFitRefusesAdditions: metal that came in between, and volumes that cannot be, are a sentence each.
func TestFitRefusesAdditions(t *testing.T) {
	b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, Efficiency: 0.95}
	at := func(hours, gramsPerLitre, litres, sample float64) Assay {
		return Assay{Seconds: hours * 3600, Charge: hours * 4 * 3600, Concentration: given(gramsPerLitre), Volume: litres * 1e-3, Sampled: sample * 1e-3}
	}
	for words, assays := range map[string][]Assay{
		"assay 3 finds 72 g in the bath, and assay 2 left 60 g there: metal was added in between": {at(0, 40, 2, 0), at(5, 30, 2, 0), at(9, 36, 2, 0), at(20, 2, 2, 0)},
		"a sample smaller than that": {at(0, 40, 2, 3), at(5, 30, 2, 0)},
		"not -2 L":                   {at(0, 40, 2, 0), at(5, 30, -2, 0)},
		"in metal that the cathode could have taken": {at(0, 40, 2, 1), at(5, 39.9, 1.005, 0)},
	} {
		if _, err := FitTransfer(b, 0.063546, assays, false); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%v, want %q", err, words)
		}
	}
	// Evaporation alone concentrates: 30 g/L in 2 L and 31 g/L in 1.5 L are a fall.
	if _, err := FitTransfer(b, 0.063546, []Assay{at(0, 30, 2, 0), at(5, 31, 1.5, 0)}, false); err != nil {
		t.Errorf("an assay above the one before, in less liquid: %v", err)
	}
}
