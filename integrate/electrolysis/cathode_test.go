package electrolysis

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// The order of the table against an independent kind of measurement: hydrogen
// overpotentials read directly at 10 A/m², as older handbooks list them (from memory; V).
func TestKineticsAgainstHandbookOverpotentials(t *testing.T) {
	handbook := map[string]float64{
		"cadmium": 0.98, "lead": 0.88, "tin": 0.86, "zinc": 0.72, "bismuth": 0.78, "manganese": 0.76, "titanium": 0.82,
		"aluminium": 0.58, "graphite": 0.60, "copper": 0.50, "silver": 0.47, "stainless steel": 0.42, "iron": 0.40,
		"cobalt": 0.35, "nickel": 0.28, "gold": 0.24, "palladium": 0.09, "platinum": 0.02,
	}
	var names []string
	for name := range handbook {
		names = append(names, name)
	}
	slices.Sort(names)
	var read, computed []float64
	for _, name := range names {
		_, found := findSurface(name)
		if !found {
			t.Fatalf("%s is not in the table", name)
		}
		read = append(read, handbook[name])
		computed = append(computed, hydrogenOverpotential(name, 10, matter.RoomTemperature).Value)
		if math.Abs(hydrogenOverpotential(name, 10, matter.RoomTemperature).Value-handbook[name]) > 2.5*kineticsUncertainty {
			t.Errorf("%s: %.2f V by Tafel, %.2f V in handbooks", name, hydrogenOverpotential(name, 10, matter.RoomTemperature).Value, handbook[name])
		}
	}
	if r := stat.Correlation(ranks(read), ranks(computed), nil); r < 0.9 {
		t.Errorf("rank correlation %.2f with handbook overpotentials, want 0.9", r)
	}
}

func ranks(values []float64) []float64 {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(values[a], values[b]) })
	rank := make([]float64, len(values))
	for place, i := range order {
		rank[i] = float64(place)
	}
	return rank
}

func TestTafel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(tables().Surface).Draw(t, "surface")
		density := s.exchange * math.Pow(10, rapid.Float64Range(0, 12).Draw(t, "decades"))
		if back := s.exchange * math.Pow(10, hydrogenOverpotential(s.Name, density, matter.RoomTemperature).Value/s.TafelSlope); math.Abs(back/density-1) > 1e-9 {
			t.Fatalf("%s: %v A/m² came back as %v", s.Name, density, back)
		}
		if math.Abs(hydrogenOverpotential(s.Name, 10*density, matter.RoomTemperature).Value-hydrogenOverpotential(s.Name, density, matter.RoomTemperature).Value-s.TafelSlope) > 1e-12 {
			t.Fatal("one decade must cost one Tafel slope")
		}
	})
	if _, found := findSurface(""); found {
		t.Error("no name must find nothing")
	}
	if hydrogenOverpotential("unobtainium", 100, matter.RoomTemperature).Known() {
		t.Error("an unknown surface has no figure")
	}
}

// Common practice, no source: what the trade takes for each metal must come out as usual,
// and what ruins a run as to be avoided.
func TestCathodeAdvice(t *testing.T) {
	verdict := func(metal string, medium matter.Medium, chloride float64, material string) Verdict {
		t.Helper()
		list := rankCathodes(metal, medium, chloride, 400, matter.RoomTemperature)
		if !slices.IsSortedFunc(list, func(a, b Cathode) int { return cmp.Compare(b.Overpotential.Value, a.Overpotential.Value) }) {
			t.Errorf("%s in %s: not ranked by overpotential", metal, medium)
		}
		for _, c := range list {
			if c.Advice == "" || !c.Overpotential.Known() {
				t.Errorf("%s on %s: no advice or no figure", metal, c.Material)
			}
			if c.Material == material {
				return c.Verdict
			}
		}
		t.Errorf("%s in %s: %s is not ranked", metal, medium, material)
		return Avoid
	}
	for _, row := range []struct {
		metal    string
		medium   matter.Medium
		chloride float64
		material string
		want     Verdict
	}{
		{"Zn", matter.Sulfate, 0, "aluminium", Usual},
		{"Zn", matter.Sulfate, 0, "zinc", Usual},
		{"Zn", matter.Chloride, 0, "aluminium", Avoid},
		{"Zn", matter.Sulfate, 500, "aluminium", Avoid},
		{"Zn", matter.Alkaline, 0, "aluminium", Avoid},
		{"Zn", matter.Sulfate, 0, "platinum", Avoid},
		{"Zn", matter.Sulfate, 0, "nickel", Avoid},
		{"Cu", matter.Sulfate, 0, "stainless steel", Usual},
		{"Cu", matter.Chloride, 0, "stainless steel", Possible},
		{"Cu", matter.Sulfate, 0, "copper", Usual},
		{"Cu", matter.Sulfate, 0, "iron", Avoid},
		{"Ni", matter.Sulfate, 0, "nickel", Usual},
		{"Pb", matter.Fluoborate, 0, "titanium", Avoid},
	} {
		if got := verdict(row.metal, row.medium, row.chloride, row.material); got != row.want {
			t.Errorf("%s in %s on %s: %v, want %v", row.metal, row.medium, row.material, got, row.want)
		}
	}
	for _, metal := range matter.Metals() {
		for _, medium := range matter.Media() {
			for _, c := range rankCathodes(metal.Element.Symbol, medium, 0, 300, matter.RoomTemperature) {
				if c.Verdict == "" || c.Advice == "" {
					t.Errorf("%s in %s on %s: empty verdict or advice", metal, medium, c.Material)
				}
			}
		}
	}
}
