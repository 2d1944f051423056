package solution

import (
	"math"
	"testing"

	"nightcell/integrate/matter"
)

// Water's viscosity in mPa·s: Korson et al. 1969, tabled 1.7916 1.3069 1.0020 0.8903 0.7975 0.6532 0.5471 0.4666 0.3538 at 0 to 80 °C.
// H+ at 10, 40 and 60 °C: 7.36, 11.1 and 13.2e-9 m²/s from 9.31 at 25 °C by the phreeqc rule. Conductivity of 0.1 demal KCl, IUPAC's
// standard, from memory: 1.1167 S/m at 18 °C, 1.2856 at 25 °C. Water's own diffusion: Holz 2000, 2.299 at 25 and 2.907e-9 at 35 °C.
func TestTransport(t *testing.T) {
	at := func(celsius float64) float64 { return celsius + matter.ZeroCelsius }
	near := func(what string, got, want, relative float64) {
		t.Helper()
		if math.Abs(got/want-1) > relative {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	for celsius, want := range map[float64]float64{0: 1.7916, 10: 1.3069, 20: 1.0020, 25: 0.8903, 30: 0.7975, 40: 0.6532, 50: 0.5471, 60: 0.4666, 80: 0.3538} {
		near("viscosity", 1e3*Viscosity(at(celsius)), want, 0.002)
	}
	for celsius, want := range map[float64]float64{10: 7.36, 40: 11.1, 60: 13.2} {
		near("H+", 9.31*Diffusion(ProtonWarmth, at(celsius)), want, 0.01)
	}
	near("KCl", Conduction(0, at(18)), 1.1167/1.2856, 0.01)
	near("water", Diffusion(0, at(35)), 2.907/2.299, 0.04) // outside: holz-2000 volume 2
	if Transfer(at(25)) != 1 || !(Transfer(at(60)) > 1.5 && Transfer(at(60)) < 2) {
		t.Errorf("transfer at 60 °C: %g", Transfer(at(60)))
	}
}
