package bath

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"

	"pgregory.net/rapid"
)

// TestBalanceCloses: whatever happens to a bath, in + unaccounted = deposit + bath + samples.
func TestBalanceCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := zincOrder()
		o.Contents.Divided, o.Contents.AnolyteVolume = true, given(0.5e-3)
		if rapid.Bool().Draw(t, "two-stage") {
			o.Efficiency.MassTransfer = given(1e-5)
		}
		p, err := NewPlan(o)
		if err != nil {
			t.Fatal(err)
		}
		supplied, sampled := p.Balance().Supplied, 0.0
		for range rapid.IntRange(1, 40).Draw(t, "events") {
			switch rapid.IntRange(0, 5).Draw(t, "kind") {
			case 0, 1:
				p.Model.Step(rapid.Float64Range(0, 20000).Draw(t, "C"), rapid.Float64Range(1, 5000).Draw(t, "s"))
			case 2:
				added, err := p.AddSalt(Salt{Formula: "ZnSO4·7H2O", Mass: given(rapid.Float64Range(1e-4, 0.1).Draw(t, "kg"))}, 1e-5)
				if err != nil {
					t.Fatal(err)
				}
				supplied += added
			case 3:
				taken, err := p.TakeSample(rapid.Float64Range(1e-6, 5e-5).Draw(t, "m3"))
				if err != nil {
					continue // nothing left to sample
				}
				sampled += taken
			case 4:
				if _, err := p.BookAssay(given(rapid.Float64Range(0, 100).Draw(t, "kg/m3"))); err != nil {
					t.Fatal(err)
				}
			case 5:
				if err := p.Model.Catholyte().Water(rapid.Float64Range(-1e-5, 1e-4).Draw(t, "water")); err != nil {
					t.Fatal(err)
				}
			}
			b := p.Balance()
			if off := b.Supplied + b.Unaccounted - b.Deposit - b.Bath - b.Samples; math.Abs(off) > 1e-12*supplied {
				t.Fatalf("the balance is off by %g kg: %+v", off, b)
			}
			if math.Abs(b.Supplied-supplied) > 1e-12*supplied || math.Abs(b.Samples-sampled) > 1e-12*supplied || b.Bath < 0 || b.Deposit < 0 {
				t.Fatalf("%+v, supplied %g, sampled %g", b, supplied, sampled)
			}
		}
	})
}

// TestEntriesMoveTheTarget: 250 g of heptahydrate and then 50 g more.
func TestEntriesMoveTheTarget(t *testing.T) {
	p := mustPlan(t, zincOrder())
	before := p.Standing(3)
	metal, err := p.AddSalt(Salt{Formula: "ZnSO4·7H2O", Mass: given(0.050), Assay: given(1)}, 0)
	if err != nil || math.Abs(metal*1e3-11.369) > 0.002 {
		t.Fatalf("added %g g of zinc, %v; by hand 11.369 g", metal*1e3, err)
	}
	after := p.Standing(3)
	if got, want := after.TargetCharge/before.TargetCharge, 1.2; math.Abs(got-want) > 1e-9 {
		t.Errorf("a fifth more salt moves the target by %g, want %g", got, want)
	}
	if taken, err := p.TakeSample(9e-6); err != nil || math.Abs(taken/metal-6*0.01) > 1e-9 {
		t.Errorf("a hundredth of the bath held %g kg, %v", taken, err)
	}
	// The assay says that a tenth less was won than counted: the rest is still to come.
	p.Model.Step(20*3600, 20*3600/3.0)
	here := p.Standing(3)
	difference, err := p.BookAssay(given(here.Concentration * 1.1))
	if err != nil || difference <= 0 {
		t.Fatalf("difference %g, %v", difference, err)
	}
	there := p.Standing(3)
	extra := difference * 2 * matter.Faraday / p.Metal.Element.Weight.Value / 0.88
	if math.Abs(there.Left-here.Left-extra) > 1e-6*extra || there.Deposit != here.Deposit {
		t.Errorf("the assay adds %g C, want %g C; deposit %g, was %g", there.Left-here.Left, extra, there.Deposit, here.Deposit)
	}
	if again, err := p.BookAssay(given(there.Concentration)); err != nil || math.Abs(again) > 1e-15 {
		t.Errorf("the same assay again finds %g kg, %v", again, err)
	}
}

func TestBookRefusals(t *testing.T) {
	p := mustPlan(t, zincOrder())
	book := p.Model.Catholyte()
	before := *book
	for name, err := range map[string]error{
		"negative addition": book.Add(-1, 0),
		"infinite addition": book.Add(1, math.Inf(1)),
		"large sample":      second(book.Sample(1e-3)),
		"empty sample":      second(book.Sample(0)),
		"negative assay":    second(p.BookAssay(given(-1))),
		"NaN assay":         second(p.BookAssay(given(math.NaN()))),
		"dry":               book.Water(-1),
		"no formula":        second(p.AddSalt(Salt{Formula: "zn", Mass: given(1)}, 0)),
		"above its assay":   second(p.AddSalt(Salt{Formula: "ZnSO4", Mass: given(1), Assay: given(1.5)}, 0)),
		"no mass":           second(p.AddSalt(Salt{Formula: "ZnSO4", Mass: given(-1)}, 0)),
	} {
		if err == nil || len(strings.Fields(err.Error())) < 4 {
			t.Errorf("%s: %v is no sentence", name, err)
		}
	}
	if *book != before {
		t.Errorf("a refused entry changed the book: %+v", *book)
	}
}

func second[T any](_ T, err error) error { return err }

// TestWaterConcentrates: boiled down to half, a bath is twice as rich and holds the same metal.
func TestWaterConcentrates(t *testing.T) {
	p := mustPlan(t, zincOrder())
	book := p.Model.Catholyte()
	metal, concentration := book.Metal(), book.Concentration()
	if err := book.Water(-0.45e-3); err != nil {
		t.Fatal(err)
	}
	if book.Metal() != metal || math.Abs(book.Concentration()/concentration-2) > 1e-12 || book.WaterLost != 0.45e-3 {
		t.Errorf("%+v", *book)
	}
}

func TestRetuneAndResume(t *testing.T) {
	p := mustPlan(t, twoStageOrder())
	p.Model.Step(4*36000, 36000)
	saved := p.Model.State()
	tuned := saved
	tuned.Efficiency, tuned.MassTransfer, tuned.Area = 0.9, 2e-5, 2e-2
	if err := p.Resume(tuned); err != nil {
		t.Fatal(err)
	}
	if p.Model.Batch().Efficiency != 0.9 || p.Model.Catholyte().Won() != saved.Catholyte.Deposited+saved.Catholyte.DepositTail {
		t.Errorf("%+v", p.Model.State())
	}
	tuned.Efficiency = 1.5
	if err := p.Resume(tuned); err == nil {
		t.Error("an efficiency of 150 % was taken")
	}
	if err := p.Resume(saved); err != nil || p.Model.State() != saved {
		t.Errorf("%v, %+v", err, p.Model.State())
	}
	if err := p.Resume(State{}); err == nil || p.Model.State() != saved {
		t.Error("an empty state was taken")
	}
}

// TestCorrect: a gap that is settled afterwards moves charge and deposit by the same
// efficiency, back and forth, and never beyond what there is.
func TestCorrect(t *testing.T) {
	p := mustPlan(t, twoStageOrder())
	p.Model.Step(4*60000, 60000)
	before, overall := p.Model.State(), p.Model.Overall()
	mol := p.Model.Correct(3600)
	if want := 3600 * overall / (2 * matter.Faraday); math.Abs(mol/want-1) > 1e-12 || math.Abs(p.Model.Overall()/overall-1) > 1e-12 {
		t.Errorf("%g mol at %g, want %g at %g", mol, p.Model.Overall(), want, overall)
	}
	p.Model.Correct(-3600)
	after := p.Model.State()
	if math.Abs(after.Catholyte.Won()-before.Catholyte.Won()) > 1e-15 || math.Abs(p.Model.Charge()-240000) > 1e-9 {
		t.Errorf("there and back: %+v, was %+v", after, before)
	}
	p.Model.Correct(-1e9)
	if p.Model.Catholyte().Won() < 0 || p.Model.Correct(math.NaN()) != 0 {
		t.Error("the deposit became less than nothing")
	}
	p = mustPlan(t, twoStageOrder())
	if p.Model.Correct(1e9); p.Model.Catholyte().Metal() != 0 || math.Abs(p.Balance().Deposit-0.080) > 1e-12 {
		t.Errorf("%+v", p.Balance())
	}
}

// TestStateSurvivesJSON: the watch keeps the state as JSON; it comes back bit for bit.
func TestStateSurvivesJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, err := NewDrawdown(Batch{Valence: 2, Volume: 1e-3, Area: 1e-2, MassTransfer: 1e-5, Efficiency: 0.9}, 0.8)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			d.Step(rapid.Float64Range(0, 4000).Draw(t, "C"), rapid.Float64Range(0.1, 900).Draw(t, "s"))
		}
		text, err := json.Marshal(d.State())
		if err != nil {
			t.Fatal(err)
		}
		var back State
		if err := json.Unmarshal(text, &back); err != nil || back != d.State() {
			t.Fatalf("%s, %v", text, err)
		}
	})
}
