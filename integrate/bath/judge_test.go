package bath

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// judged is a zinc bath after an hour at 3 A, of 0.9 L with a stated pH of 4.5 at 25 °C.
func judged(t testing.TB) *Plan {
	o := zincOrder()
	o.Conditions.PH, o.Conditions.Temperature = given(4.5), given(298.15)
	p, err := NewPlan(o)
	if err != nil {
		t.Fatal(err)
	}
	p.Model.Step(3*3600, 3600)
	return p
}

// TestJudge: 3 A·h win at most 3.66 g of zinc: 65.38 g/mol over 2 × 96485 C/mol (CODATA 2018).
func TestJudge(t *testing.T) {
	c := judged(t).Standing(3).Concentration
	for _, tt := range []struct {
		name    string
		e       Entry
		against []string // words of the contradictions; nil: it agrees
		outcome Outcome
	}{
		{"an assay as booked", Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMass: c}}, nil, Plain},
		{"an assay 2 % beside", Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMass: 1.02 * c}}, nil, Plain},
		{"a digit too many", Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMass: 10 * c}}, []string{"the assay gives", "the mass balance"}, Held},
		{"a digit too few", Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMole: 100 * c / 65.38}}, []string{"the assay gives", "the mass balance"}, Held},
		{"an assay that says how little it knows", Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMass: 1.5 * c, PerMassDoubt: c}}, nil, Plain},
		{"some salt", Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 0.05}, Words: map[string]string{Formula: "ZnSO4·7H2O"}}, nil, Plain},
		{"kilograms for grams", Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 5}, Words: map[string]string{Formula: "ZnSO4·7H2O"}}, []string{"dissolve", "5000 g of salt"}, Held},
		{"much of another salt", Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 5}, Words: map[string]string{Formula: "NaCl"}}, []string{"5000 g of salt"}, Held},
		{"a salt of another metal", Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 0.01}, Words: map[string]string{Formula: "CuSO4·5H2O"}}, []string{"brings copper, which may plate"}, Held},
		{"litres for millilitres", Entry{Kind: EntryAddition, Numbers: map[string]float64{LiquidVolume: 0.05e1, PerMass: 1}}, []string{"the bath holds 0.9 L"}, Held},
		{"water", Entry{Kind: EntryWater, Numbers: map[string]float64{LiquidVolume: 0.1e-3}}, nil, Plain},
		{"a flood", Entry{Kind: EntryWater, Numbers: map[string]float64{LiquidVolume: 0.1}}, []string{"100 L of water", "0.9 L"}, Held},
		{"a sample", Entry{Kind: EntrySample, Numbers: map[string]float64{LiquidVolume: 5e-6}}, nil, Plain},
		{"a large sample", Entry{Kind: EntrySample, Numbers: map[string]float64{LiquidVolume: 0.5e-3}}, []string{"a sample of 0.5 L"}, Held},
		{"a deposit", Entry{Kind: EntryWeighing, Numbers: map[string]float64{Mass: 3.2e-3}}, nil, Plain},
		{"more than the charge can give", Entry{Kind: EntryWeighing, Numbers: map[string]float64{Mass: 4e-3}}, []string{"weighs 4 g", "3.67 g at most"}, Plain},
		{"below its blank", Entry{Kind: EntryWeighing, Numbers: map[string]float64{MassBefore: 0.018, MassAfter: 0.017}}, []string{"17 g", "blank of 18 g"}, Plain},
		{"before and after", Entry{Kind: EntryWeighing, Numbers: map[string]float64{MassBefore: 0.018, MassAfter: 0.0212}}, nil, Plain},
		{"after, without a blank", Entry{Kind: EntryWeighing, Numbers: map[string]float64{MassAfter: 0.017}}, nil, Plain},
		{"a level that has sunk", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{LiquidVolume: 0.8e-3}}, nil, Plain},
		{"a level of another vessel", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{LiquidVolume: 9e-3}}, []string{"9 L was measured", "0.9 L"}, Plain},
		{"a warm bath", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{EnteredKelvin: 313}}, nil, Plain},
		{"degrees of another scale", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{EnteredKelvin: 363.15}}, []string{"90 °C", "25 °C", "55 °C"}, Plain},
		{"a pH after an hour", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{EnteredPH: 1}}, nil, Plain}, // 3600 s × 3 A make 0.112 mol of acid in 0.9 L: pH 0.9
		{"a pH of lye", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{EnteredPH: 11}}, []string{"pH of 11", "4.5"}, Plain},
		{"a pH of strong acid", Entry{Kind: EntryMeasurement, Numbers: map[string]float64{EnteredPH: -0.5}}, []string{"pH of -0.5", "4.5"}, Plain},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := judged(t)
			before := p.Model.State()
			v, err := p.Judge(tt.e, Moment{Amperes: 3})
			if err != nil {
				t.Fatal(err)
			}
			if p.Model.State() != before {
				t.Error("judging changed the books")
			}
			said := strings.Join(v.Against, "; ")
			if (tt.against == nil) != (said == "") || v.Outcome != tt.outcome {
				t.Fatalf("%q, outcome %q", said, v.Outcome)
			}
			for _, want := range tt.against {
				if !strings.Contains(said, want) {
					t.Errorf("%q does not say %q", said, want)
				}
			}
			if _, err := p.Book(tt.e, v.Outcome); err != nil {
				t.Fatal(err)
			}
			if p.Model.Rival().Is() != (tt.outcome == Held) {
				t.Errorf("%+v", p.Model.Rival())
			}
		})
	}
}

// TestAWeighingIsHeldAgainstTheBlankOfAnEarlierOne, also over a restart.
func TestAWeighingIsHeldAgainstTheBlankOfAnEarlierOne(t *testing.T) {
	p := judged(t)
	if _, err := p.Book(Entry{Kind: EntryWeighing, Numbers: map[string]float64{MassBefore: 0.018}}, Plain); err != nil {
		t.Fatal(err)
	}
	resumed(t, p)
	v, err := p.Judge(Entry{Kind: EntryWeighing, Numbers: map[string]float64{MassAfter: 0.017}}, Moment{})
	if err != nil || len(v.Against) != 1 {
		t.Errorf("%+v, %v", v, err)
	}
}

// resumed puts a plan's state through JSON, as a checkpoint does.
func resumed(t interface{ Fatal(...any) }, p *Plan) {
	text, err := json.Marshal(p.Model.State())
	if err != nil {
		t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	if s != p.Model.State() {
		t.Fatal("the state does not survive JSON")
	}
	if err := p.Resume(s); err != nil {
		t.Fatal(err)
	}
}

// TestTheEarlierTargetActs keeps two plans apart, one with the doubtful entry and one without, through any current,
// corrections and entries: the plan that holds both is at every moment as near to its target as the nearer of them.
func TestTheEarlierTargetActs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		transfer := rapid.SampledFrom([]float64{0, 1e-5}).Draw(t, "transfer")
		o := zincOrder()
		if transfer > 0 {
			o.Efficiency.MassTransfer = given(transfer)
		}
		make := func() *Plan {
			p, err := NewPlan(o)
			if err != nil {
				t.Fatal(err)
			}
			p.Model.Step(3*1000, 1000)
			return p
		}
		both, with, without := make(), make(), make()
		slip := Entry{Kind: EntryAssay, By: "ann", Numbers: map[string]float64{PerMass: both.Standing(3).Concentration * rapid.SampledFrom([]float64{0.3, 0.7, 1.5, 10}).Draw(t, "slip")}}
		v, err := both.Judge(slip, Moment{Amperes: 3})
		if err != nil || v.Outcome != Held {
			t.Fatalf("%+v, %v", v, err)
		}
		book := func(e Entry, o Outcome, plans ...*Plan) {
			for _, p := range plans {
				if _, err := p.Book(e, o); err != nil {
					t.Fatal(err)
				}
			}
		}
		book(slip, Held, both)
		book(slip, Plain, with)
		for range rapid.IntRange(1, 8).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"current", "correction", "salt", "sample", "water", "restart"}).Draw(t, "step") {
			case "current":
				seconds := float64(rapid.IntRange(1, 3600).Draw(t, "seconds"))
				for _, p := range []*Plan{both, with, without} {
					p.Model.Step(2*seconds, seconds)
				}
			case "correction":
				coulombs := rapid.Float64Range(-100, 100).Draw(t, "C")
				for _, p := range []*Plan{both, with, without} {
					p.Model.Correct(coulombs)
				}
			case "salt":
				book(Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 0.01, LiquidVolume: 1e-5}, Words: map[string]string{Formula: "ZnSO4"}}, Plain, both, with, without)
			case "sample":
				book(Entry{Kind: EntrySample, Numbers: map[string]float64{LiquidVolume: 1e-5}}, Plain, both, with, without)
			case "water":
				book(Entry{Kind: EntryWater, Numbers: map[string]float64{LiquidVolume: 2e-5}}, Plain, both, with, without)
			case "restart":
				resumed(t, both)
			}
			a, _ := with.Remaining(2)
			b, _ := without.Remaining(2)
			got, seconds := both.Remaining(2)
			if got != math.Min(a, b) || math.Abs(seconds-got/2) > 1e-6*seconds {
				t.Fatalf("%v C in %v s are left; with the entry %v C, without %v C", got, seconds, a, b)
			}
			s := both.Standing(2)
			if s.TargetWith != s.Charge+a || s.TargetWithout != s.Charge+b || s.Unconfirmed != EntryAssay {
				t.Fatalf("%+v", s)
			}
		}
		end := rapid.SampledFrom([]Outcome{Confirmed, Withdrawn}).Draw(t, "end")
		left := map[Outcome]*Plan{Confirmed: with, Withdrawn: without}[end]
		book(Entry{Kind: EntryConfirm, By: "bob"}, end, both)
		if both.Model.State() != left.Model.State() {
			t.Fatalf("%s: %+v, want %+v", end, both.Model.State(), left.Model.State())
		}
	})
}

// TestConsequence words what an entry does to the target.
func TestConsequence(t *testing.T) {
	inf := math.Inf(1)
	for _, tt := range []struct {
		before, after Reach
		want          string
	}{
		{Reach{27792, 1000}, Reach{284040, 1000 + 85400}, "target 7.72 → 78.90 A·h, finish 23.7 h later"},
		{Reach{27792, 9000}, Reach{20592, 6600}, "target 7.72 → 5.72 A·h, finish 40 min earlier"},
		{Reach{27792, 9000}, Reach{inf, inf}, "target 7.72 A·h → never reached at this current"},
		{Reach{27792, inf}, Reach{20592, inf}, "target 7.72 → 5.72 A·h"},
		{Reach{inf, inf}, Reach{27792, 9000}, "target out of reach → 7.72 A·h"},
		{Reach{inf, inf}, Reach{inf, inf}, "the target stays out of reach"},
		{Reach{27792, 9000}, Reach{27792, 9000}, "the target stays at 7.72 A·h"},
		{Reach{27792, 9000}, Reach{777920, 9000 + 300000}, "target 7.72 → 216.09 A·h, finish 3.5 days later"},
	} {
		if got := (Verdict{Before: tt.before, After: tt.after}).Consequence(); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
}

// A ferric salt in a run that counts two electrons to an iron is said before it is booked; the ferrous one is not.
func TestJudgeTellsAnotherState(t *testing.T) {
	p, err := NewPlan(Order{Contents: Contents{Volume: given(1e-3), Metal: "Fe", Salts: []Salt{{Formula: "FeSO4·7H2O", Mass: given(0.2)}}}, Target: Target{Recover, given(0.5)}, Efficiency: Efficiency{Fraction: given(0.85)}})
	if err != nil {
		t.Fatal(err)
	}
	for formula, told := range map[string]bool{"Fe2(SO4)3": true, "FeSO4": false, "H3BO3": false} {
		var said []string
		p.againstFormula(formula, func(format string, args ...any) { said = append(said, format) })
		if (len(said) > 0) != told {
			t.Errorf("%s: %q", formula, said)
		}
	}
}

// TestADoseTellsItsAcid: H2SO4, 98.08 g/mol, sets two H+ free, NaOH, 40.00 g/mol, takes up one, Na2SO4 neither; none moves the target.
func TestADoseTellsItsAcid(t *testing.T) {
	for formula, want := range map[string]string{
		"H2SO4":  "0.204 mol of acid, 0.227 mol/L of the bath; the target stays at",
		"NaOH":   "0.25 mol of base, 0.278 mol/L of the bath; the target stays at",
		"Na2SO4": "formula and amount do not say how much acid or base that is; the target stays at",
	} {
		v, err := judged(t).Judge(Entry{Kind: EntryDose, Numbers: map[string]float64{Mass: 0.010}, Words: map[string]string{Formula: formula}}, Moment{Amperes: 3})
		if err != nil || !strings.HasPrefix(v.Consequence(), want) {
			t.Errorf("%s: %q, %v", formula, v.Consequence(), err)
		}
	}
}
