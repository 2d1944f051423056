package bath

import (
	"math"
	"testing"

	"nightcell/integrate/matter"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"
)

// copperBatch is the worked case of the trade's two-stage table: 2 L, 40 g/L Cu,
// 2 dm2, 4 A, k_m 1e-5 m/s, 95 %.
func copperBatch(t *testing.T) (b Batch, mol, molar, amperes float64) {
	molar = weightOf(t, "Cu")
	return Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}, 0.080 / molar, molar, 4
}

// TestTwoStageTable recomputes the table, to the rounding it is printed with. Common practice, derived there from the same equations.
func TestTwoStageTable(t *testing.T) {
	b, mol, molar, amperes := copperBatch(t)
	if got := b.Critical(amperes) * molar / b.Volume; math.Abs(got-6.3) > 0.05 {
		t.Errorf("the second stage begins at %.3g g/L, the table says 6.3", got)
	}
	for _, row := range []struct{ share, left, hours, passed, theory, overall, marginal float64 }{
		{0.50, 20, 8.9, 35.5, 33.7, 95, 95},
		{0.80, 8, 14.2, 56.8, 54.0, 95, 95},
		{0.90, 4, 16.2, 64.9, 60.7, 94, 61},
		{0.95, 2, 18.1, 72.6, 64.1, 88, 30},
		{0.99, 0.4, 22.6, 90.5, 66.8, 74, 6},
	} {
		end := mol * (1 - row.share)
		seconds := b.Time(mol, end, amperes)
		charge := seconds * amperes / matter.AmpereHour
		theory := mol * row.share * 2 * matter.Faraday / matter.AmpereHour
		for name, pair := range map[string][3]float64{
			"bath, g/L":          {end * molar / b.Volume, row.left, 0.01},
			"hours":              {seconds / 3600, row.hours, 0.06},
			"A·h passed":         {charge, row.passed, 0.06},
			"A·h in theory":      {theory, row.theory, 0.06},
			"efficiency overall": {theory / charge * 100, row.overall, 0.6},
			"efficiency then":    {b.Marginal(end, amperes) * 100, row.marginal, 0.6},
		} {
			if math.Abs(pair[0]-pair[1]) > pair[2] {
				t.Errorf("%g %% recovered: %s %.4g, the table says %g", row.share*100, name, pair[0], pair[1])
			}
		}
	}
}

// speed is the right side of the differential equation, written down anew.
func speed(b Batch, mol, amperes float64) float64 {
	return math.Min(b.Efficiency*amperes/(2*matter.Faraday), b.MassTransfer*b.Area*mol/b.Volume)
}

// TestAgainstODE integrates the equation by two independent methods: classical
// Runge-Kutta of fourth order with small steps, and gonum's quadrature of dN over the speed.
func TestAgainstODE(t *testing.T) {
	b, start, _, amperes := copperBatch(t)
	mol, h := start, 0.5
	for step := 1; step <= 2*3600*22; step++ {
		k1 := speed(b, mol, amperes)
		k2 := speed(b, mol-h/2*k1, amperes)
		k3 := speed(b, mol-h/2*k2, amperes)
		k4 := speed(b, mol-h*k3, amperes)
		mol -= h / 6 * (k1 + 2*k2 + 2*k3 + k4)
		if step%7200 == 0 {
			if got := start - b.Won(start, amperes, float64(step)*h); math.Abs(got/mol-1) > 1e-8 {
				t.Errorf("after %d h: %.12g mol, Runge-Kutta %.12g", step/7200, got, mol)
			}
		}
	}
	critical := b.Critical(amperes)
	for _, share := range []float64{0.5, 0.9, 0.99} {
		end := start * (1 - share)
		inverse := func(n float64) float64 { return 1 / speed(b, n, amperes) }
		// The speed has a kink at the critical amount; each side is integrated for itself.
		want := quad.Fixed(inverse, math.Max(critical, end), start, 50, nil, 0)
		if end < critical {
			want += quad.Fixed(inverse, end, critical, 200, nil, 0)
		}
		if got := b.Time(start, end, amperes); math.Abs(got/want-1) > 1e-10 {
			t.Errorf("time to %g %%: %.12g s, gonum %.12g s", share*100, got, want)
		}
	}
}

// TestStepsAgreeWithClosedForm: with a current that jumps at random, single
// seconds add up to what the closed form gives for each stretch.
func TestStepsAgreeWithClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Batch{
			Valence: rapid.IntRange(1, 4).Draw(t, "valence"), Volume: rapid.Float64Range(1e-4, 1e-2).Draw(t, "volume"),
			Area: rapid.Float64Range(1e-3, 5e-2).Draw(t, "area"), MassTransfer: rapid.Float64Range(1e-6, 1e-4).Draw(t, "k"),
			Efficiency: rapid.Float64Range(0.05, 1).Draw(t, "efficiency"),
		}
		mol := rapid.Float64Range(0.01, 5).Draw(t, "mol")
		d, err := NewDrawdown(b, mol)
		if err != nil {
			t.Fatal(err)
		}
		left := mol
		for range rapid.IntRange(1, 6).Draw(t, "stretches") {
			amperes := rapid.Float64Range(0, 20).Draw(t, "amperes")
			seconds := rapid.IntRange(1, 4000).Draw(t, "seconds")
			left -= b.Won(left, amperes, float64(seconds))
			for range seconds {
				d.Step(amperes, 1)
			}
		}
		if got := d.Catholyte().Metal(); math.Abs(got-left) > 1e-9*mol {
			t.Fatalf("%.15g mol left by steps, %.15g by closed form", got, left)
		}
	})
}

// TestRampAgainstClosedForm: under a steadily rising current the crossing into
// the second stage solves a quadratic equation; steps of a second come within 1e-9 of it.
func TestRampAgainstClosedForm(t *testing.T) {
	b, mol, _, _ := copperBatch(t)
	const first, slope, total = 2.0, 1e-4, 50000.0 // A, A/s, s
	rate := b.MassTransfer * b.Area / b.Volume
	perAmpere := b.Efficiency / (2 * matter.Faraday)
	// mol - perAmpere (first t + slope t²/2) = perAmpere (first + slope t) / rate
	qa, qb, qc := slope/2, first+slope/rate, first/rate-mol/perAmpere
	crossing := (-qb + math.Sqrt(qb*qb-4*qa*qc)) / (2 * qa)
	if crossing < 1000 || crossing > total-1000 {
		t.Fatalf("the crossing at %g s is outside the test", crossing)
	}
	atCrossing := perAmpere * (first + slope*crossing) / rate
	want := atCrossing * math.Exp(-rate*(total-crossing))
	d, err := NewDrawdown(b, mol)
	if err != nil {
		t.Fatal(err)
	}
	for i := range int(total) {
		d.Step(first+slope*(float64(i)+0.5), 1) // the trapezoid of a ramp over one second
	}
	if got := d.Catholyte().Metal(); math.Abs(got-want) > 1e-9*mol {
		t.Errorf("%.15g mol left, closed form %.15g", got, want)
	}
}

// TestRestoreIsExact: a model saved and restored anywhere goes on bit-identically.
func TestRestoreIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Batch{Valence: 2, Volume: 1e-3, Area: 1e-2, MassTransfer: 1e-5, Efficiency: 0.9}
		whole, err := NewDrawdown(b, 0.8)
		if err != nil {
			t.Fatal(err)
		}
		parts, _ := NewDrawdown(b, 0.8)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			coulombs := rapid.Float64Range(-1, 4000).Draw(t, "coulombs")
			seconds := rapid.Float64Range(0.1, 900).Draw(t, "seconds")
			whole.Step(coulombs, seconds)
			parts.Step(coulombs, seconds)
			if rapid.Bool().Draw(t, "restart") {
				if parts, err = Restore(parts.State()); err != nil {
					t.Fatal(err)
				}
			}
		}
		if whole.State() != parts.State() {
			t.Fatalf("%+v\n%+v", whole.State(), parts.State())
		}
	})
}

func TestRestoreRefusesNonsense(t *testing.T) {
	good := State{Valence: 2, Efficiency: 0.9, MassTransfer: 1e-5, Area: 1e-2, Catholyte: Book{Volume: 1e-3, Supplied: 1}}
	if _, err := Restore(good); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*State){
		"valence":     func(s *State) { s.Valence = 0 },
		"efficiency":  func(s *State) { s.Efficiency = 1.01 },
		"NaN":         func(s *State) { s.Efficiency = math.NaN() },
		"transfer":    func(s *State) { s.MassTransfer = -1 },
		"area":        func(s *State) { s.Area = 0 },
		"volume":      func(s *State) { s.Catholyte.Volume = 0 },
		"supplied":    func(s *State) { s.Catholyte.Supplied = math.Inf(1) },
		"unaccounted": func(s *State) { s.Catholyte.Unaccounted = math.NaN() },
		"anolyte":     func(s *State) { s.Anolyte.Volume = -1 },
		"charge":      func(s *State) { s.Charge = math.NaN() },
		"seconds":     func(s *State) { s.Seconds = -1 },
	} {
		s := good
		spoil(&s)
		if _, err := Restore(s); err == nil {
			t.Errorf("%s: a spoilt state was taken", name)
		}
	}
}

func TestStepIgnoresNonsense(t *testing.T) {
	d, err := NewDrawdown(batchOf(2, 0.9), 1)
	if err != nil {
		t.Fatal(err)
	}
	before := d.State()
	for _, pair := range [][2]float64{{math.NaN(), 1}, {math.Inf(1), 1}, {1, math.NaN()}, {1, -1}, {1, math.Inf(1)}} {
		if won := d.Step(pair[0], pair[1]); won != 0 || d.State() != before {
			t.Errorf("Step(%g, %g) won %g and changed the state", pair[0], pair[1], won)
		}
	}
	if won := d.Step(-5, 1); won != 0 || d.Charge() != -5 {
		t.Errorf("a negative charge won %g; counted %g", won, d.Charge())
	}
}

func TestStepDoesNotAllocate(t *testing.T) {
	b, mol, _, _ := copperBatch(t)
	d, err := NewDrawdown(b, mol)
	if err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(1000, func() { d.Step(4, 1) }); n != 0 {
		t.Errorf("a step allocates %g times", n)
	}
}

// TestManySmallSteps: a million crumbs of charge add up without drift, because the sums are compensated.
func TestManySmallSteps(t *testing.T) {
	d, err := NewDrawdown(batchOf(2, 1), 1e3)
	if err != nil {
		t.Fatal(err)
	}
	const steps = 1_000_000
	for range steps {
		d.Step(0.1, 0.1)
	}
	want := 0.1 * steps / (2 * matter.Faraday)
	if got := d.Catholyte().Won(); math.Abs(got/want-1) > 1e-14 {
		t.Errorf("won %.17g mol, want %.17g", got, want)
	}
}

// TestPhysicsIsMonotonic holds what must be so whatever the figures.
func TestPhysicsIsMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Batch{
			Valence: rapid.IntRange(1, 4).Draw(t, "valence"), Volume: rapid.Float64Range(1e-4, 1e-1).Draw(t, "volume"),
			Area: rapid.Float64Range(1e-4, 1).Draw(t, "area"), MassTransfer: rapid.SampledFrom([]float64{0, 1e-6, 1e-5, 1e-4}).Draw(t, "k"),
			Efficiency: rapid.Float64Range(0.01, 1).Draw(t, "efficiency"),
		}
		mol := rapid.Float64Range(1e-3, 100).Draw(t, "mol")
		amperes := rapid.Float64Range(0.01, 100).Draw(t, "amperes")
		seconds := rapid.Float64Range(1, 1e6).Draw(t, "seconds")
		won := b.Won(mol, amperes, seconds)
		const round = 1 + 1e-12
		if won < 0 || won > mol || won > amperes*seconds*b.Efficiency/b.perMole()*round {
			t.Fatalf("%g mol won out of %g by %g C", won, mol, amperes*seconds)
		}
		if b.Won(mol, amperes, seconds*1.5)*round < won || b.Won(mol, amperes*1.5, seconds)*round < won || b.Won(mol*1.5, amperes, seconds)*round < won {
			t.Fatal("more time, current or metal wins less")
		}
		if b.Marginal(mol/2, amperes) > b.Marginal(mol, amperes)*round {
			t.Fatal("a poorer bath works better")
		}
		// What is won in a time takes that time; the last trace of a bath takes any.
		if won > 0 && mol-won > mol*1e-6 {
			if back := b.TimeToWin(mol, won, amperes); math.Abs(back/seconds-1) > 1e-9 {
				t.Fatalf("TimeToWin %.12g s, Won within %.12g s", back, seconds)
			}
		}
		// Two halves make a whole.
		half := b.Won(mol, amperes, seconds/2)
		if twice := half + b.Won(mol-half, amperes, seconds/2); math.Abs(twice-won) > 1e-9*mol {
			t.Fatalf("two halves %g, the whole %g", twice, won)
		}
	})
}

func BenchmarkStep(b *testing.B) {
	d, err := NewDrawdown(Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: 1e-5, Efficiency: 0.95}, 1e6)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		d.Step(4, 1)
	}
}

// TestTimeConstants recomputes the table of time constants for 2 L and 2 dm2 of
// copper (common practice, no source), and that the bubble-stirred figure gives back the 32 A/m2 per g/L that it was
// taken from.
func TestTimeConstants(t *testing.T) {
	molar := weightOf(t, "Cu")
	for _, row := range []struct{ k, hours, decade, perGram float64 }{
		{3e-6, 9.3, 21, 9}, {5e-6, 5.6, 12.8, 15}, {1e-5, 2.8, 6.4, 30}, {2e-5, 1.4, 3.2, 61}, {5e-5, 0.56, 1.3, 152},
	} {
		b := Batch{Valence: 2, Volume: 2e-3, Area: 2e-2, MassTransfer: row.k, Efficiency: 1}
		huge := 1e6 // A: transport alone decides
		for name, pair := range map[string][2]float64{
			"V/(k A), h":         {b.Time(1, math.Exp(-1), huge) / 3600, row.hours},
			"decade, h":          {b.Time(1, 0.1, huge) / 3600, row.decade},
			"A/m2 per g/L of Cu": {b.LimitingCurrent(1*b.Volume/molar) / b.Area, row.perGram},
		} {
			if math.Abs(pair[0]/pair[1]-1) > 0.03 {
				t.Errorf("k_m %g: %s %.4g, the table says %g", row.k, name, pair[0], pair[1])
			}
		}
	}
	bubble, err := Bubble.Transfer(0)
	if err != nil {
		t.Fatal(err)
	}
	b := Batch{Valence: 2, Volume: 1, Area: 1, MassTransfer: bubble.Value, Efficiency: 1}
	if got := b.LimitingCurrent(1 / molar); math.Abs(got-32) > 0.5 {
		t.Errorf("bubble-stirred: %.3g A/m2 per g/L, taken from 32", got)
	}
	still, _ := Still.Transfer(0)
	forced, _ := Forced.Transfer(0)
	if !(still.Value < bubble.Value && bubble.Value < forced.Value) {
		t.Error("more stirring brings less")
	}
}

// TestNeverMoreThanThereIs: two stages, each rounded, won the last digit too much of this bath.
func TestNeverMoreThanThereIs(t *testing.T) {
	b := Batch{Valence: 4, Volume: 0.0001068115234375, Area: 0.0001220703125, MassTransfer: 1e-4, Efficiency: 0.264892578125}
	const mol = 0.0024414062500000004
	if won := b.Won(mol, 0.06313133239746094, 375105.9375); won > mol {
		t.Errorf("%.20g mol out of %.20g", won, mol)
	}
}

// TestTimeToWinKeepsItsDigits: little won out of much takes the time it took, to the
// last digits; by the amounts left it would be off by more than a millionth.
func TestTimeToWinKeepsItsDigits(t *testing.T) {
	for name, b := range map[string]Batch{
		"first stage":  {Valence: 1, Volume: 0.1, Area: 1, Efficiency: 0.0625},
		"second stage": {Valence: 1, Volume: 0.1, Area: 1e-4, MassTransfer: 1e-12, Efficiency: 1},
	} {
		won := b.Won(100, 0.0156, 1)
		if got := b.TimeToWin(100, won, 0.0156); math.Abs(got-1) > 1e-12 {
			t.Errorf("%s: %.15g s, want 1 s", name, got)
		}
		if off := math.Abs(b.Time(100, 100-won, 0.0156) - 1); off < 1e-12 {
			t.Errorf("%s: by the amounts left it is off by %g too: the check shows nothing", name, off)
		}
	}
	b := Batch{Valence: 2, Volume: 1e-3, Area: 1e-2, MassTransfer: 1e-5, Efficiency: 0.9}
	for _, c := range []struct{ won, amperes, want float64 }{{0, 1, 0}, {-1, 1, 0}, {0.1, 0, math.Inf(1)}, {1, 1, math.Inf(1)}, {2, 1, math.Inf(1)}} {
		if got := b.TimeToWin(1, c.won, c.amperes); got != c.want {
			t.Errorf("%g mol of 1 mol at %g A: %g s, want %g s", c.won, c.amperes, got, c.want)
		}
	}
}
