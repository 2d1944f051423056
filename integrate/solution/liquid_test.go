package solution

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcell/integrate/matter"
)

func TestFromFormula(t *testing.T) {
	for formula, want := range map[string]Totals{
		"ZnSO4·7H2O":       {"Zn+2": 1, "SO4-2": 1, H: 0},
		"H2SO4":            {"SO4-2": 1, H: 2},
		"ZnO":              {"Zn+2": 1, H: -2},
		"NaOH":             {H: -1},
		"Na2Zn(OH)4":       {"Zn+2": 1, H: -4},
		"(NH4)2SO4":        {"NH3": 2, "SO4-2": 1, H: 2},
		"NH4Cl":            {"NH3": 1, "Cl-": 1, H: 1},
		"NH4NO3":           {"NH3": 1, H: 1},
		"[Ni(NH3)6](NO3)2": {"Ni+2": 1, "NH3": 6, H: 0},
		"Ni(NH3)6Cl2":      {"Ni+2": 1, "NH3": 6, "Cl-": 2, H: 0},
		"H3BO3":            {"B(OH)3": 1, H: 0},
		"NaHCO3":           {"CO3-2": 1, H: 1},
		"KCN":              {"CN-": 1, H: 0},
		"Ni(NH2SO3)2":      {"Ni+2": 1, H: 0},
		"CH3COONa":         {"acetate-": 1, H: 0},
		"C6H8O7":           {"citrate-3": 1, H: 3},
		"KNaC4H4O6·4H2O":   {"tartrate-2": 1, H: 0},
		"FeSO4·7H2O":       {"Fe+2": 1, "SO4-2": 1, H: 0},
		"Fe2(SO4)3":        {"Fe+3": 2, "SO4-2": 3, H: 0},
		"Pb(BF4)2":         {"Pb+2": 1, H: 0},
	} {
		f, err := matter.ParseFormula(formula)
		if err != nil {
			t.Fatal(err)
		}
		got, err := FromFormula(f)
		if err != nil {
			t.Errorf("%s: %v", formula, err)
			continue
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateApprox(0, 1e-12)); diff != "" {
			t.Errorf("%s: %s", formula, diff)
		}
	}
	for _, formula := range []string{"Na2S2O3", "C2H5OH", "GaCl3"} {
		f, err := matter.ParseFormula(formula)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := FromFormula(f); err == nil {
			t.Errorf("%s: taken, though the table has no constants for it", formula)
		}
	}
}

func after(t *testing.T, l Liquid, change Totals, kelvin float64) (matter.Figure, error) {
	t.Helper()
	s, err := l.Settle()
	if err != nil {
		t.Fatal(err)
	}
	return s.After(change, kelvin)
}

// A bath takes acid up: in 1 mol/L of sulfate, bisulfate does.
// OpenStax Chemistry 2e, section 14.6: 0.2 L of equal volumes of 0.200 M acid and 0.600 M acetate (pH 5.222)
// after 3.00 mL of 0.034 M hydrochloric acid reads 5.220 (5.219 by the printed constant).
func TestBufferTakesAcid(t *testing.T) {
	volume := 0.203
	l := Liquid{Totals: Totals{"acetate-": 400 * 0.2 / volume}, PH: 5.222 + 0.012, Kelvin: room} // its Ka is 1.80e-5, pKa 4.745 for 4.757 here
	got, err := after(t, l, Totals{H: 0.034 * 3 / volume}, room)
	if err != nil {
		t.Fatal(err)
	}
	if fall := l.PH - got.High; math.Abs(fall-0.002) > 0.001 { // outside: chemistry-2e 14.6
		t.Errorf("the pH fell by %.4f, want 0.002", fall)
	}
	sulfate := Liquid{Totals: Totals{"SO4-2": 1000, "Zn+2": 800}, PH: 4, Kelvin: room}
	buffered, err := after(t, sulfate, Totals{H: 300}, room)
	if err != nil {
		t.Fatal(err)
	}
	plain := Liquid{Totals: Totals{"Zn+2": 800}, PH: 4, Kelvin: room}
	bare, err := after(t, plain, Totals{H: 300}, room)
	if err != nil {
		t.Fatal(err)
	}
	if !(buffered.Low > bare.High+0.1) {
		t.Errorf("pH %.2f with sulfate, %.2f without: bisulfate takes nothing up", buffered.Low, bare.High)
	}
}

// Zinc hydroxide from 0.1 mol/L falls between pH 6 and 7.5 (textbooks print about 6.5 for fresh precipitate, common
// practice, no source); ammonium with ammonia holds it back.
func TestHydroxideOnset(t *testing.T) {
	onset := func(totals Totals) float64 {
		l := Liquid{Totals: totals, PH: 4, Kelvin: room}
		all, err := l.Hydroxides()
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range all {
			if o.Solid.Name == "Zn(OH)2" {
				if !(o.PH.Low <= o.PH.Value && o.PH.Value <= o.PH.High) {
					t.Errorf("the span %v is out of order", o.PH)
				}
				return o.PH.Low
			}
		}
		t.Fatal("no zinc hydroxide in a zinc bath")
		return 0
	}
	plain, withAmmonia := onset(Totals{"Zn+2": 100}), onset(Totals{"Zn+2": 100, "NH3": 3000})
	if plain < 6 || plain > 7.5 {
		t.Errorf("zinc hydroxide falls from pH %.2f", plain)
	}
	if !(withAmmonia > plain+0.2) {
		t.Errorf("with ammonia from pH %.2f, without from %.2f", withAmmonia, plain)
	}
}

// A speciation solved in another language by another way: testdata/speciation.py (numpy, nested bisection) with the same constants.
func TestSpeciationAgreesWithNumpy(t *testing.T) {
	f, err := os.Open("testdata/speciation.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) < 6 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, s := range row[1:] {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		metal := Component(row[0] + "+2")
		e := mustSolve(t, Totals{metal: 1e3 * v[0], "SO4-2": 1e3 * v[1], "NH3": 1e3 * v[2], "B(OH)3": 1e3 * v[3], "acetate-": 1e3 * v[4], H: 1e3 * v[5]}, room, Ideal)
		if math.Abs(e.PH-v[6]) > 2e-3 || math.Abs(e.Activity(metal)-v[7]) > 3e-3 {
			t.Errorf("%v: pH %.4f and free %.4f", row, e.PH, e.Activity(metal))
		}
	}
}
