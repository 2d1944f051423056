package integrate

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// act is one thing that happens to a coulometer.
type act struct {
	kind   string
	step   time.Duration
	sample Sample
	e      Evidence
	a, b   float64
}

func drawAct(t *rapid.T) act {
	x := act{
		kind:   rapid.SampledFrom([]string{"add", "add", "add", "add", "add", "settle", "zero", "check"}).Draw(t, "kind"),
		step:   time.Duration(rapid.Int64Range(1, int64(30*time.Second)).Draw(t, "step")),
		sample: Sample{Volts: rapid.Float64Range(-1, 60).Draw(t, "volts"), Amperes: rapid.Float64Range(-0.1, 30).Draw(t, "amperes")},
		a:      rapid.Float64Range(-0.01, 0.01).Draw(t, "a"), b: rapid.Float64Range(0, 0.01).Draw(t, "b"),
	}
	if rapid.Bool().Draw(t, "untouched") {
		x.e = Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true}
	}
	x.e.LimitAmperes = rapid.Float64Range(0, 40).Draw(t, "limit")
	return x
}

// do lets the act happen at the time at; a refusal is all right as long as it is the same everywhere.
func (x act) do(c *Coulometer, at time.Duration) error {
	switch x.kind {
	case "settle":
		return c.Settle(c.State().GapCount-1, x.a, x.b, x.b+1)
	case "zero":
		return c.SetZero(Zero{x.a, x.b})
	case "check":
		return c.SetCorrection(Correction{1 + x.a, x.b})
	}
	s := x.sample
	s.At = at
	_, err := c.Add(s, x.e)
	return err
}

// TestRestoredCoulometerGoesOnBitForBit restores at every place, on a clock that
// starts elsewhere, and compares states and totals.
func TestRestoredCoulometerGoesOnBitForBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		settings := Settings{GapAfter: 10 * time.Second, GainRelative: 0.001, OffsetAmperes: 0.005, ResolutionAmperes: 0.001, TimebaseRelative: 50e-6}
		origin := time.Duration(rapid.Int64Range(0, 1e15).Draw(t, "origin"))
		whole, again := NewCoulometer(settings), NewCoulometer(settings)
		var elapsed, shift time.Duration
		begun := false
		for range rapid.IntRange(1, 60).Draw(t, "acts") {
			x := drawAct(t)
			if x.kind == "add" && begun {
				elapsed += x.step
			}
			errWhole := x.do(whole, origin+elapsed)
			errAgain := x.do(again, origin+elapsed+shift)
			if (errWhole == nil) != (errAgain == nil) {
				t.Fatalf("%v; restored: %v", errWhole, errAgain)
			}
			begun = begun || x.kind == "add"
			if rapid.Bool().Draw(t, "restore") {
				var err error
				if again, err = Restore(settings, again.State()); err != nil {
					t.Fatal(err)
				}
				shift = -origin
			}
			if !whole.State().Equal(again.State()) || whole.Totals() != again.Totals() {
				t.Fatalf("%+v\nrestored %+v", whole.State(), again.State())
			}
		}
	})
}

// TestBooksAreConsistent holds what must hold after anything.
func TestBooksAreConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := NewCoulometer(Settings{GapAfter: 10 * time.Second, GainRelative: 0.001, OffsetAmperes: 0.005, ResolutionAmperes: 0.001})
		var at time.Duration
		for range rapid.IntRange(1, 80).Draw(t, "acts") {
			x := drawAct(t)
			at += x.step
			_ = x.do(c, at)
			got := c.Totals()
			if got.Observed > got.Elapsed || got.GapLow > got.Charge-got.ObservedCharge+1e-9 || got.GapHigh < got.Charge-got.ObservedCharge-1e-9 {
				t.Fatalf("%+v", got)
			}
			if !(got.StandardUncertainty >= 0) || math.IsInf(got.StandardUncertainty, 0) || math.IsNaN(got.Energy) || !(got.EnergyStandardUncertainty >= 0) {
				t.Fatalf("%+v", got)
			}
			if got.Low() > got.High() {
				t.Fatalf("from %v to %v C", got.Low(), got.High())
			}
		}
	})
}

func TestRestoreRefusesWhatCannotBe(t *testing.T) {
	c, _ := acrossGap(t, Settings{GapAfter: 10 * time.Second}, time.Minute, 3, Evidence{})
	for name, spoil := range map[string]func(*State){
		"sum":        func(s *State) { s.Charge.Total = math.NaN() },
		"ripple":     func(s *State) { s.Ripple[1].Sum = math.NaN() },
		"neighbours": func(s *State) { s.Ripple[1].Seen = 3 },
		"ahead":      func(s *State) { s.Ripple[1].Next = s.Elapsed + 1 },
		"folded":     func(s *State) { s.Folded.Ripple[1] = math.Inf(1) },
		"volts":      func(s *State) { s.LastVolts = 1e30 },
		"time":       func(s *State) { s.Observed = s.Elapsed + 1 },
		"readings":   func(s *State) { s.Readings = -1 },
		"correction": func(s *State) { s.Correction.Factor = 0 },
		"gaps":       func(s *State) { s.GapCount = 0 },
		"gap":        func(s *State) { s.Gaps[0].Best = s.Gaps[0].High + 1 },
		"order":      func(s *State) { s.GapCount, s.Gaps = 2, append(s.Gaps, s.Gaps[0]) },
	} {
		s := c.State()
		spoil(&s)
		if _, err := Restore(c.Settings(), s); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := Restore(c.Settings(), c.State()); err != nil {
		t.Error(err)
	}
}

func TestAddAllocatesNothing(t *testing.T) {
	c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
	at := time.Duration(0)
	if n := testing.AllocsPerRun(1000, func() {
		at += time.Second
		if _, err := c.Add(Sample{At: at, Volts: 3, Amperes: 3}, Evidence{}); err != nil {
			t.Fatal(err)
		}
		if c.Totals().Charge < 0 {
			t.Fatal("negative")
		}
	}); n != 0 {
		t.Errorf("%v allocations per reading", n)
	}
}

func BenchmarkAdd(b *testing.B) {
	c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += time.Second
		if _, err := c.Add(Sample{At: at, Volts: 3.2, Amperes: 3 + float64(at%7)*1e-3}, Evidence{}); err != nil {
			b.Fatal(err)
		}
	}
}
