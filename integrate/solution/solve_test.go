package solution

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

const room = matter.RoomTemperature

func mustSolve(t *testing.T, totals Totals, kelvin float64, rule Activity) Equilibrium {
	t.Helper()
	e, err := Solve(totals, kelvin, rule)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// withK replaces one constant for a worked example that was worked with another value.
func solveWith(t *testing.T, constants map[string]float64, totals Totals) Equilibrium {
	t.Helper()
	s, err := newSystem(totals, room)
	if err != nil {
		t.Fatal(err)
	}
	for i := range s.species {
		m := &s.species[i]
		if k, ok := constants[m.name]; ok {
			m.lnK0 = k * math.Ln10
			delete(constants, m.name)
		}
	}
	if len(constants) > 0 {
		t.Fatalf("no such species: %v", constants)
	}
	s.condition(0)
	s.fixed = math.NaN()
	x, err := s.newton(s.start())
	if err != nil {
		t.Fatal(err)
	}
	return s.result(x, 0, s.strength(x), room)
}

// Worked examples of OpenStax Chemistry 2e (sections 14.3 to 14.6, 15.2 and 15.3) and of the University of Rhode
// Island, CHM 112 (sulfuric acid), each with the constants that the example uses.
func TestWorkedExamples(t *testing.T) {
	lg := math.Log10
	for _, c := range []struct {
		name      string
		constants map[string]float64
		totals    Totals
		got       func(e Equilibrium) float64
		want, tol float64
	}{
		{"0.50 M hydrogen sulfate, Ka 1.2e-2: pH 1.14", map[string]float64{"HSO4-": -lg(1.2e-2)}, Totals{H: 500, "SO4-2": 500},
			func(e Equilibrium) float64 { return e.PH }, 1.14, 0.006}, // outside: chemistry-2e 14.3
		{"0.0050 M sulfuric acid, Ka2 1.1e-2: pH 2.10", map[string]float64{"HSO4-": -lg(1.1e-2)}, Totals{H: 10, "SO4-2": 5},
			func(e Equilibrium) float64 { return e.PH }, 2.10, 0.005}, // outside: chm-112 H2SO4, page 8
		{"0.250 M sodium hydrogen sulfate: sulfate 0.049 M", map[string]float64{"HSO4-": -lg(1.2e-2)}, Totals{H: 250, "SO4-2": 250},
			func(e Equilibrium) float64 { return e.Amount("SO4-2") }, 49, 0.5}, // outside: chemistry-2e 15.3
		{"acetate buffer 0.10/0.10 M, Ka 1.8e-5: pH 4.74", map[string]float64{"HAcetate": -lg(1.8e-5)}, Totals{H: 100, "acetate-": 200},
			func(e Equilibrium) float64 { return e.PH }, 4.74, 0.006}, // outside: chemistry-2e 14.6
		{"the same with 1.0 mL of 0.10 M NaOH in 100 mL: pH 4.75", map[string]float64{"HAcetate": -lg(1.8e-5)}, Totals{H: 9.9 / 0.101, "acetate-": 20 / 0.101},
			func(e Equilibrium) float64 { return e.PH }, 4.75, 0.006}, // outside: chemistry-2e 14.6
		{"0.20 mol ammonia and 0.40 mol ammonium in 1.00 L: pH 8.95", map[string]float64{"NH4+": 14 + lg(1.8e-5)}, Totals{H: 400, "NH3": 600},
			func(e Equilibrium) float64 { return e.PH }, 8.95, 0.01}, // outside: chemistry-2e 14.6
		{"0.10 M aluminium, first hydrolysis 1.4e-5: pH 2.92", map[string]float64{"Al(OH)1": lg(1.4e-5)}, Totals{"Al+3": 100},
			func(e Equilibrium) float64 { return e.PH }, 2.92, 0.02}, // outside: chemistry-2e 14.4
		{"free silver in 0.10 M diammine, Kf 1.7e7: 1.1e-3 M", map[string]float64{"Ag(NH3)2": lg(1.7e7), "Ag(NH3)1": -9, "NH4+": -9}, Totals{"Ag+": 100, "NH3": 200},
			func(e Equilibrium) float64 { return e.Amount("Ag+") }, 1.1, 0.06}, // outside: chemistry-2e 15.2
		{"1.00 g AgNO3 and 10.0 g KCN in 1.00 L, Kf 1e21: 2.9e-22 M", map[string]float64{"Ag(CN)2": 21, "Ag(CN)3": -9, "HCN": -9}, Totals{"Ag+": 1000 / 169.87, "CN-": 10000 / 65.12},
			func(e Equilibrium) float64 { return e.Amount("Ag+") * 1e19 }, 2.9, 0.06}, // outside: chemistry-2e 15.2
		{"0.0040 M cadmium in 0.060 M ammonia, Kf 1.3e7: 8.2e-5 M, 7.8e-5 unabridged",
			map[string]float64{"Cd(NH3)4": lg(1.3e7), "Cd(NH3)1": -9, "Cd(NH3)2": -9, "Cd(NH3)3": -9, "NH4+": -9}, Totals{"Cd+2": 4, "NH3": 60},
			func(e Equilibrium) float64 { return e.Amount("Cd+2") }, 0.078, 0.002}, // outside: chemistry-2e 15.2
	} {
		e := solveWith(t, c.constants, c.totals)
		if got := c.got(e); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: got %.4g", c.name, got)
		}
	}
}

// Every atom is somewhere: the species of a component add up to its total, to parts in 10⁹, whatever is mixed.
func TestEveryBalanceCloses(t *testing.T) {
	names := []Component{"SO4-2", "Cl-", "NH3", "B(OH)3", "acetate-", "CO3-2", "CN-", "citrate-3", "Zn+2", "Cu+2", "Ni+2", "Fe+3", "Ag+"}
	rapid.Check(t, func(t *rapid.T) {
		totals := Totals{H: rapid.Float64Range(-3000, 3000).Draw(t, "acid")}
		for _, c := range names {
			if rapid.Bool().Draw(t, string(c)) {
				totals[c] = math.Pow(10, rapid.Float64Range(-3, 3.5).Draw(t, "log "+string(c)))
			}
		}
		kelvin := rapid.Float64Range(274, 372).Draw(t, "kelvin")
		rule := Activity(rapid.IntRange(0, 1).Draw(t, "rule"))
		e, err := Solve(totals, kelvin, rule)
		if err != nil {
			t.Fatal(err)
		}
		table := constants()
		for c, total := range totals {
			sum, size := 0.0, math.Abs(total)
			sum += e.Amount(string(c))
			for _, s := range table.species {
				n := s.Of[c] * e.Amount(s.Name)
				sum += n
				size += math.Abs(n)
			}
			if math.Abs(sum-total) > 2e-9*size {
				t.Fatalf("%s: %g of %g mol/m³ accounted for", c, sum, total)
			}
		}
		back, err := At(totals, e.PH, kelvin, rule)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(back.Acid-totals[H]) > 1e-5*(math.Abs(totals[H])+e.IonicStrength+1) {
			t.Fatalf("pH %.6f asks for %g mol/m³ of acid, %g made it", e.PH, back.Acid, totals[H])
		}
	})
}

// pKw at 0.1 MPa and 0, 25, 50, 75 and 100 °C: CRC Handbook, table 05_20.
func TestWater(t *testing.T) {
	for celsius, want := range map[float64]float64{0.01: 14.946, 25: 13.995, 50: 13.264, 75: 12.696, 100: 12.252} { // outside: crc 05_20
		e := mustSolve(t, Totals{}, celsius+matter.ZeroCelsius, Ideal)
		if got := 2 * e.PH; math.Abs(got-want) > 0.015 {
			t.Errorf("%g °C: pKw %.3f, want %.3f", celsius, got, want)
		}
	}
}
