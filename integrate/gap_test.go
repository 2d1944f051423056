package integrate

import (
	"math"
	"strings"
	"testing"
	"time"
)

// acrossGap counts 3 A and 3 V for 100 s, then nothing for length, then a reading
// of after amperes, and returns the step that ends the gap.
func acrossGap(t *testing.T, s Settings, length time.Duration, after float64, e Evidence) (*Coulometer, Step) {
	t.Helper()
	c := NewCoulometer(s)
	for i := range 101 {
		if _, err := c.Add(Sample{At: time.Duration(i) * time.Second, Volts: 3, Amperes: 3}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	step, err := c.Add(Sample{At: 100*time.Second + length, Volts: 3, Amperes: after}, e)
	if err != nil {
		t.Fatal(err)
	}
	return c, step
}

// TestGapsAreBookedByEvidence: the supply goes on when the watcher dies, so what
// looks untouched counts its trapezoid; anything else can be anything.
func TestGapsAreBookedByEvidence(t *testing.T) {
	untouched := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3.5}
	change := func(f func(*Evidence)) Evidence { e := untouched; f(&e); return e }
	for name, c := range map[string]struct {
		e         Evidence
		after     float64
		best      float64
		low, high float64
		measured  bool
	}{
		"untouched":           {untouched, 3, 300, 0, 350, true},
		"untouched, tapered":  {untouched, 2, 250, 0, 350, true},
		"found off":           {change(func(e *Evidence) { e.OnAfter = false }), 0, 175, 0, 350, false},
		"another instrument":  {change(func(e *Evidence) { e.SameInstrument = false }), 3, 175, 0, 350, false},
		"instrument reset":    {change(func(e *Evidence) { e.SetPointsUnchanged = false }), 3, 175, 0, 350, false},
		"off all the while":   {change(func(e *Evidence) { e.OnBefore, e.OnAfter = false, false }), -3, 0, 0, 350, true},
		"nothing known":       {Evidence{}, 3, 150, 0, 300, false},
		"later current above": {Evidence{LimitAmperes: 1}, 4, 200, 0, 400, false},
		"limit not a number":  {change(func(e *Evidence) { e.LimitAmperes = math.NaN() }), 2, 250, 0, 300, true},
		"limit too small":     {change(func(e *Evidence) { e.LimitAmperes = 1 }), 2, 250, 0, 300, true},
	} {
		_, step := acrossGap(t, Settings{GapAfter: 10 * time.Second}, 100*time.Second, c.after, c.e)
		g := step.Gap
		if !step.IsGap || g.Best != c.best || g.Low != c.low || g.High != c.high || g.Measured != c.measured {
			t.Errorf("%s: %+v, want best %v in %v to %v", name, g, c.best, c.low, c.high)
		}
		if step.Coulombs != g.Best || step.Joules != g.BestJoules || g.From != 100*time.Second || g.Length() != 100*time.Second {
			t.Errorf("%s: step %+v", name, step)
		}
		if g.LowJoules > g.BestJoules || g.BestJoules > g.HighJoules || math.Abs(g.BestJoules-3*g.Best) > 1e-9 {
			t.Errorf("%s: %v J to %v J, best %v J", name, g.LowJoules, g.HighJoules, g.BestJoules)
		}
	}
}

// TestEnergyOfAGap: the range of the charge becomes that of the energy by the larger
// voltage of the two.
func TestEnergyOfAGap(t *testing.T) {
	for name, e := range map[string]Evidence{
		"a range":  {LimitAmperes: 3.5},
		"measured": {OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3.5},
	} {
		for _, after := range []float64{2, 5} {
			c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
			if _, err := c.Add(Sample{At: 0, Volts: 3, Amperes: 3}, Evidence{}); err != nil {
				t.Fatal(err)
			}
			step, err := c.Add(Sample{At: 100 * time.Second, Volts: after, Amperes: 3}, e)
			if err != nil {
				t.Fatal(err)
			}
			got, want := c.Totals(), 350*max(3, after)
			if step.Gap.HighJoules != want || got.EnergyGapHigh != want || step.Gap.LowJoules != 0 || got.EnergyGapLow != 0 {
				t.Errorf("%s, from 3 V to %v V: %+v, totals %v J to %v J; by hand 0 to %v J", name, after, step.Gap, got.EnergyGapLow, got.EnergyGapHigh, want)
			}
		}
	}
}

func TestWhatIsAGap(t *testing.T) {
	s := Settings{GapAfter: 10 * time.Second}
	for _, c := range []struct {
		length time.Duration
		e      Evidence
		want   bool
	}{
		{10 * time.Second, Evidence{}, false},
		{10*time.Second + 1, Evidence{}, true},
		{time.Second, Evidence{Restarted: true}, true},
		{time.Second, Evidence{Suspended: true}, true},
		{time.Second, Evidence{LineLost: true}, true},
		{time.Second, Evidence{Switched: true}, true},
	} {
		if _, step := acrossGap(t, s, c.length, 3, c.e); step.IsGap != c.want {
			t.Errorf("%v with %+v: gap %v", c.length, c.e, step.IsGap)
		}
	}
	if _, step := acrossGap(t, Settings{}, time.Hour, 3, Evidence{}); step.IsGap {
		t.Error("a gap although no step is too long")
	}
}

// TestGapUncertainty: rectangular, half-width a: a/√3 (JCGM 100, 4.3.7).
func TestGapUncertainty(t *testing.T) {
	s := Settings{GapAfter: 10 * time.Second, EarlierDoubts: true} // see TestRippleByHand
	c, step := acrossGap(t, s, 100*time.Second, 3, Evidence{LimitAmperes: 3.5})
	if got, want := c.Totals().Budget.Gaps, (step.Gap.High-step.Gap.Low)/2/math.Sqrt(3); math.Abs(got-want) > 1e-12 {
		t.Errorf("anything possible: %v C, want %v C", got, want)
	}
	// Best at the end of the range: the mean square about it is width²/3.
	if got := meanSquare(0, 300, 300); math.Abs(got-300*300/3.0) > 1e-9 {
		t.Errorf("mean square about the end: %v", got)
	}
	if got := meanSquare(5, 5, 5); got != 0 {
		t.Errorf("mean square of a known charge: %v", got)
	}
	// Untouched: mostly between the two currents, and a twentieth of the whole range.
	e := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3}
	c, _ = acrossGap(t, s, 100*time.Second, 2, e)
	want := math.Sqrt(0.95*100*100/12 + 0.05*meanSquare(0, 250, 300))
	if got := c.Totals().Budget.Gaps; math.Abs(got-want) > 1e-12 {
		t.Errorf("untouched: %v C, want %v C", got, want)
	}
}

func TestSettle(t *testing.T) {
	c, _ := acrossGap(t, Settings{GapAfter: 10 * time.Second, GainRelative: 0.001}, 100*time.Second, 3, Evidence{LimitAmperes: 3})
	if err := c.Settle(0, 30, 60, 90); err != nil {
		t.Fatal(err)
	}
	got := c.Totals()
	if got.Charge != 360 || got.GapLow != 30 || got.GapHigh != 90 || got.Energy != 3*360 {
		t.Errorf("settled: %+v", got)
	}
	if want := 30 / math.Sqrt(3); math.Abs(got.Budget.Gaps-want) > 1e-12 {
		t.Errorf("%v C, want %v C", got.Budget.Gaps, want)
	}
	if err := c.Settle(0, 60, 60, 60); err != nil { // again, now for sure
		t.Fatal(err)
	}
	if got := c.Totals(); got.Budget.Gaps != 0 || got.Charge != 360 || !c.Gaps()[0].Settled {
		t.Errorf("settled for sure: %+v", got)
	}
	for _, bad := range []struct {
		index           int
		low, best, high float64
		says            string
	}{
		{1, 0, 0, 0, "there is no gap 1"}, {-1, 0, 0, 0, "there is no gap -1"},
		{0, 2, 1, 3, "order low, best, high"}, {0, 0, math.NaN(), 3, "finite"}, {0, math.Inf(-1), 0, 3, "finite"},
	} {
		before := c.State()
		if err := c.Settle(bad.index, bad.low, bad.best, bad.high); err == nil || !strings.Contains(err.Error(), bad.says) || !c.State().Equal(before) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

// TestManyGaps: the state stays small, the totals stay right, and the widest gaps can still be settled.
func TestManyGaps(t *testing.T) {
	const n = 500
	c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
	e := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 4}
	var at time.Duration
	var high float64
	for i := range n {
		if _, err := c.Add(Sample{At: at, Volts: 3, Amperes: 3}, e); err != nil {
			t.Fatal(err)
		}
		length := 20 + i*7%n
		at += time.Duration(length) * time.Second
		high += 4 * float64(length)
	}
	if _, err := c.Add(Sample{At: at, Volts: 3, Amperes: 3}, e); err != nil {
		t.Fatal(err)
	}
	got := c.Totals()
	if got.Gaps != n || len(c.State().Gaps) != settleable || math.Abs(got.Charge-3*at.Seconds()) > 1e-6 || math.Abs(got.GapHigh-high) > 1e-6 {
		t.Errorf("%d gaps, %d kept: %+v", got.Gaps, len(c.State().Gaps), got)
	}
	for _, g := range c.Gaps() {
		if g.Length() < time.Duration(20+n-settleable)*time.Second {
			t.Errorf("gap %d of %v is kept in place of a wider one", g.Index, g.Length())
		}
	}
	if err := c.Settle(0, 0, 0, 0); err == nil || !strings.Contains(err.Error(), "can no longer be settled") {
		t.Errorf("a folded gap: %v", err)
	}
}

// TestALostLineMayHaveBeenALostSupply: whether power or only the line was gone for 3 s at 3 A, the truth (9 C or 0 C) lies within k = 2.
func TestALostLineMayHaveBeenALostSupply(t *testing.T) {
	c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
	for _, s := range []struct {
		sample Sample
		lost   bool
	}{{Sample{At: 0, Volts: 3, Amperes: 3}, false}, {Sample{At: 3 * time.Second, Volts: 3, Amperes: 3}, true}} {
		e := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3, LineLost: s.lost}
		if _, err := c.Add(s.sample, e); err != nil {
			t.Fatal(err)
		}
	}
	got := c.Totals()
	if low, high := got.Charge-2*got.StandardUncertainty, got.Charge+2*got.StandardUncertainty; low > 0.1 || high < 9 {
		t.Errorf("%.2f C to %.2f C for 0 C or 9 C", low, high)
	}
}
