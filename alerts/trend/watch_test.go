package trend_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"nightcell/alerts/trend"
)

var corridor = trend.CorridorSettings{Skip: 600, Longest: 4 * 3600, SettledSlope: 0.025, Follow: 0.015, HalfWidth: 0.3}

// TestCorridorForgivesWarmUp: an exponential fall of 0.3 V is no departure, and the
// corridor settles once it has died down.
func TestCorridorForgivesWarmUp(t *testing.T) {
	var c trend.Corridor
	r := rand.New(rand.NewPCG(5, 6))
	settled := 0.0
	for m := range 8 * 60 {
		at := float64(m) * 60
		c.Add(&corridor, at, 3.4+0.3*math.Exp(-at/3600)+0.002*r.NormFloat64())
		if d := c.Departure(); d > 0.01 {
			t.Fatalf("minute %d: the fall departs by %+.3f V", m, d)
		}
		if c.Settled && settled == 0 {
			settled = at / 3600
		}
	}
	// The slope 0.3·exp(−t) V/h falls below 0.025 V/h after 2.5 h.
	if settled < 2 || settled > 3.2 {
		t.Errorf("settled after %.2f h", settled)
	}
	if math.Abs(c.Centre-3.4) > 0.02 || c.Sigma > 0.004 {
		t.Errorf("centre %.3f, sigma %.4f", c.Centre, c.Sigma)
	}
}

// TestCorridorSeesARiseInWarmUp: what rises while the cell should fall is measured
// from the lowest level.
func TestCorridorSeesARiseInWarmUp(t *testing.T) {
	var c trend.Corridor
	for m := range 60 {
		y := 3.7 - 0.002*float64(m)
		if m > 30 {
			y += 0.02 * float64(m-30)
		}
		c.Add(&corridor, float64(m)*60, y)
	}
	if c.Settled || c.Departure() < 0.3 {
		t.Errorf("settled %v, departure %+.3f V of a rise of 0.58 V", c.Settled, c.Departure())
	}
}

// TestCorridorSmallShiftThatStays: three quarters of the half-width never leave the
// corridor, but the CUSUM reports them within about forty blocks.
func TestCorridorSmallShiftThatStays(t *testing.T) {
	var c trend.Corridor
	m := 0
	add := func(y float64, n int) {
		for range n {
			c.Add(&corridor, float64(m)*60, y)
			m++
		}
	}
	add(3.5, 120)
	add(3.5+0.225, 60)
	if c.Signal != 1 || c.Departure() > 0.3 {
		t.Errorf("signal %d with a departure of %+.3f V", c.Signal, c.Departure())
	}
	if c.Sum.HighRun != 60 {
		t.Errorf("the shift is placed %d blocks ago, want 60", c.Sum.HighRun)
	}
}

func TestCorridorWidens(t *testing.T) {
	c := trend.Corridor{Sigma: 1, Average: trend.EWMA{Lambda: 0.2}}
	near(t, "width of a noisy cell", c.Width(0.3), 1, 1e-12) // 3·√(0.2/1.8) = 1
	c.Sigma = 0.01
	near(t, "width of a quiet cell", c.Width(0.3), 0.3, 1e-12)
}

// TestExcursions tells dips, spikes and pops apart, and a new level from all of them.
func TestExcursions(t *testing.T) {
	tests := []struct {
		name               string
		y                  func(s int) float64 // at second s; the level is 3
		dips, spikes, pops int
	}{
		{"steady", func(int) float64 { return 3 }, 0, 0, 0},
		{"whisker", func(s int) float64 { return 3 - 0.3*b2f(s%600 == 5) }, 5, 0, 0},
		{"flicker", func(s int) float64 { return 3 + 0.3*b2f(s%600 < 3 && s > 100) }, 0, 6, 0},
		{"gas", func(s int) float64 { return 3 + 0.15*float64(s%600)/600 }, 0, 0, 6},
		{"new level", func(s int) float64 { return 3 + 0.4*b2f(s > 1200) }, 0, 0, 0},
		{"drift", func(s int) float64 { return 3 + 1e-5*float64(s) }, 0, 0, 0},
		{"fast drift", func(s int) float64 { return 3 - 2e-4*float64(s) }, 0, 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var e trend.Excursions
			for s := 60; s < 3605; s++ {
				e.Add(float64(s), tt.y(s)+0.001*float64(s%2), 0.001)
			}
			got := [3]int{e.Dips.Count, e.Spikes.Count, e.Pops.Count}
			if want := [3]int{tt.dips, tt.spikes, tt.pops}; got != want {
				t.Errorf("dips, spikes, pops %v, want %v", got, want)
			}
		})
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func TestHistoryNeverSpansAGap(t *testing.T) {
	h := trend.History{Length: 60}
	for s := range 120 {
		h.Add(float64(s), 3, 1)
	}
	if closed := h.Add(2000, 5, 1); !closed {
		t.Fatal("a gap did not close the block")
	}
	for i := range len(h.Blocks) {
		if b := h.Last(i); b.Volts != 3 || b.At > 120 || b.NoiseVolts != 0 {
			t.Errorf("block %d: %+v", i, *b)
		}
	}
	h.Add(2060, 5, 1)
	if n := h.Last(0).NoiseVolts; n != 0 {
		t.Errorf("the step over the gap became noise of %g V", n)
	}
}

// TestHistoryRemembersExactly: a history that went through JSON goes on as the one
// that did not.
func TestHistoryRemembersExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := trend.History{Length: 60}
		n := rapid.IntRange(0, 20000).Draw(t, "readings")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		for i := range n {
			h.Add(float64(i), 3+r.NormFloat64(), r.Float64())
		}
		data, err := json.Marshal(h)
		if err != nil {
			t.Fatal(err)
		}
		var g trend.History
		if err := json.Unmarshal(data, &g); err != nil {
			t.Fatal(err)
		}
		for i := range 200 {
			at, v, a := float64(n+i), 3+r.NormFloat64(), r.Float64()
			if h.Add(at, v, a) != g.Add(at, v, a) {
				t.Fatal("one closed a block, the other did not")
			}
		}
		if len(h.Blocks) != len(g.Blocks) {
			t.Fatalf("%d and %d blocks", len(h.Blocks), len(g.Blocks))
		}
		for i := range len(h.Blocks) {
			if diff := cmp.Diff(*h.Last(i), *g.Last(i)); diff != "" {
				t.Fatal(diff)
			}
		}
	})
}

// TestHistoryKeepsTheNewestBlocks: also of more than it keeps, as a forged memory may hold.
func TestHistoryKeepsTheNewestBlocks(t *testing.T) {
	rows := make([][5]float64, trend.Blocks+10)
	for i := range rows {
		rows[i][0] = float64(i)
	}
	data, err := json.Marshal(map[string]any{"Length": 60, "Blocks": rows})
	if err != nil {
		t.Fatal(err)
	}
	var h trend.History
	if err := json.Unmarshal(data, &h); err != nil {
		t.Fatal(err)
	}
	h.Add(1000, 3, 1)
	h.Add(1060, 3, 1)
	if len(h.Blocks) != trend.Blocks || h.Last(0).At != 1000 || h.Last(1).At != trend.Blocks+9 {
		t.Errorf("%d blocks, the newest %+v and %+v", len(h.Blocks), *h.Last(0), *h.Last(1))
	}
}
