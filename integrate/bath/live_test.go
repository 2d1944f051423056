package bath

import (
	"math"
	"testing"

	"nightcell/integrate/matter"

	"pgregory.net/rapid"
)

// finish passes 3 A until nothing is left to pass.
func finish(p *Plan) {
	left, seconds := p.Remaining(3)
	p.Model.Step(left, seconds)
}

// TestRecoveredMeansOneThing: whatever was entered, the run that ends at the target shows
// the share that the target asks for, of the metal on the cathode and in the bath together.
func TestRecoveredMeansOneThing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := zincOrder()
		o.Target.Value = given(rapid.Float64Range(0.3, 0.95).Draw(t, "share"))
		p, err := NewPlan(o)
		if err != nil {
			t.Fatal(err)
		}
		book := p.Model.Catholyte()
		for range rapid.IntRange(1, 12).Draw(t, "entries") {
			var err error
			switch rapid.SampledFrom([]string{"current", "addition", "sample", "assay", "water"}).Draw(t, "entry") {
			case "current":
				p.Model.Step(3*2000, 2000)
			case "addition":
				err = p.AddMetal(rapid.Float64Range(0, 0.01).Draw(t, "kg"), 1e-5)
			case "sample":
				_, err = p.TakeSample(rapid.Float64Range(1e-6, 2e-5).Draw(t, "m3"))
			case "assay":
				_, err = p.BookAssay(given(p.Standing(3).Concentration * rapid.Float64Range(0.85, 1.15).Draw(t, "factor")))
			case "water":
				err = book.Water(rapid.Float64Range(-2e-5, 2e-5).Draw(t, "water"))
			}
			if err != nil {
				t.Fatal(err)
			}
			if s := p.Standing(3); s.Confirmed > s.Deposit+1e-15 || s.Confirmed < 0 {
				t.Fatalf("%+v", s)
			}
		}
		if left, _ := p.Remaining(3); left == 0 {
			return // it was reached on the way
		}
		finish(p)
		if share := recovered(p); math.Abs(share-o.Target.Value.Value) > 1e-9 {
			t.Fatalf("the run ends at %.9g, the target is %.9g", share, o.Target.Value.Value)
		}
	})
}

// recovered is the share of the metal there is that is confirmed on the cathode.
func recovered(p *Plan) float64 {
	b := p.Model.Catholyte()
	return b.Confirmed() / b.Stock()
}

// TestAssayBelowTheAccount: at the beginning 10 % are missing. The 85 % then are those of what is really there.
func TestAssayBelowTheAccount(t *testing.T) {
	p := mustPlan(t, zincOrder())
	begin := p.Standing(3)
	if _, err := p.BookAssay(given(begin.Concentration * 0.9)); err != nil {
		t.Fatal(err)
	}
	if got := p.Standing(3).TargetCharge / begin.TargetCharge; math.Abs(got-0.9) > 1e-9 {
		t.Errorf("a tenth less metal takes %.6g of the charge, want 0.9", got)
	}
	finish(p)
	b := p.Balance()
	if got := b.Deposit / (0.9 * b.Supplied); math.Abs(got-0.85) > 1e-9 {
		t.Errorf("%.6g of the metal that was there is on the cathode, want 0.85", got)
	}
	// And 10 % more than stated at the beginning is more to win, not a deposit that is missing.
	p = mustPlan(t, zincOrder())
	if _, err := p.BookAssay(given(begin.Concentration * 1.1)); err != nil {
		t.Fatal(err)
	}
	if s := p.Standing(3); math.Abs(s.TargetCharge/begin.TargetCharge-1.1) > 1e-9 || p.Model.Catholyte().Overcounted != 0 {
		t.Errorf("a tenth more metal takes %.6g of the charge, want 1.1", s.TargetCharge/begin.TargetCharge)
	}
}

// TestAssayAboveTheAccount: half way the bath holds 3 g/L more than the model says, so
// 2.7 g are missing on the cathode. A deposit, a thickness and a share all go on for those 2.7 g.
func TestAssayAboveTheAccount(t *testing.T) {
	const missing = 3 * 0.9e-3 // kg
	for name, target := range map[string]Target{
		"deposit": {Deposit, given(0.040)}, "thickness": {Thickness, given(0.5e-3)}, "recover": {Recover, given(0.8)},
	} {
		o := zincOrder()
		o.Target = target
		p := mustPlan(t, o)
		p.Model.Step(18*3600, 6*3600)
		before := p.Standing(3)
		if _, err := p.BookAssay(given(before.Concentration + 3)); err != nil {
			t.Fatal(err)
		}
		s := p.Standing(3)
		extra := missing * 2 * matter.Faraday / p.Metal.Element.Weight.Value / 0.88
		if math.Abs(s.Left-before.Left-extra) > 1e-6*extra {
			t.Errorf("%s: the assay adds %g C, want %g C", name, s.Left-before.Left, extra)
		}
		if s.Deposit != before.Deposit || math.Abs(s.Confirmed-(before.Deposit-missing)) > 1e-12 {
			t.Errorf("%s: %g kg counted, %g kg confirmed; before it %g kg", name, s.Deposit, s.Confirmed, before.Deposit)
		}
		if want := s.Confirmed * 2 * matter.Faraday / p.Metal.Element.Weight.Value / (18 * 3600); math.Abs(s.ConfirmedOverall()-want) > 1e-12 || before.ConfirmedOverall() != before.Overall {
			t.Errorf("%s: %g of the charge is confirmed, want %g; before the assay %g of %g", name, s.ConfirmedOverall(), want, before.ConfirmedOverall(), before.Overall)
		}
		finish(p)
		if end := p.Standing(3); name == "deposit" && math.Abs(end.Confirmed-0.040) > 1e-12 {
			t.Errorf("ends with %g kg confirmed", end.Confirmed)
		}
	}
}

// TestAssaysTakeEachOtherBack: a wrong assay and the right one after it leave the account as it was.
func TestAssaysTakeEachOtherBack(t *testing.T) {
	for _, factors := range [][2]float64{{1.2, 1}, {0.8, 1}, {0.9, 1.1}, {3, 1}} {
		p := mustPlan(t, zincOrder())
		p.Model.Step(18*3600, 6*3600)
		before, was := p.Standing(3), *p.Model.Catholyte()
		for _, f := range factors {
			if _, err := p.BookAssay(given(before.Concentration * f)); err != nil {
				t.Fatal(err)
			}
		}
		s := p.Standing(3)
		switch last := factors[1]; {
		case last == 1 && (math.Abs(s.Left-before.Left) > 1e-6 || math.Abs(s.Confirmed-before.Deposit) > 1e-12 || math.Abs(p.Model.Catholyte().Unaccounted-was.Unaccounted) > 1e-12):
			t.Errorf("%v: %g C and %g kg, before %g C and %g kg", factors, s.Left, s.Confirmed, before.Left, before.Deposit)
		case last > 1 && math.Abs(s.Confirmed-(before.Deposit-(last-1)*before.Concentration*0.9e-3)) > 1e-12:
			t.Errorf("%v: %g kg confirmed of %g kg", factors, s.Confirmed, before.Deposit)
		}
	}
}
