package electrolysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// The printed answers of OpenStax Chemistry 2e, section 15.1 (module m68811).
func TestPrecipitationWorkedExamples(t *testing.T) {
	const room = matter.RoomTemperature
	near(t, "Mn2+ held at 1.8e-6 M, Ksp 2e-13, printed pH 10.52", HydroxidePH(2e-13, 2, 1.8e-3, room), 10.52, 0.01)
	near(t, "Mg2+ falls to 1.0e-5 M, Ksp 8.9e-12, printed pH 10.97", HydroxidePH(8.9e-12, 2, 1.0e-2, room), 10.97, 0.01)
	// The printed pH has two decimals, and the book takes pKw as 14.00: 5 % in the square of [OH-].
	near(t, "Zn(OH)2 at pH 11.45, printed [Zn2+] 5.7e-12 M, Ksp 4.5e-17 implied", DissolvedAt(4.5e-17, 2, 11.45, room)/1e3/5.7e-12, 1, 0.05)
	hydroxide := func(pH float64) float64 { return math.Pow(10, pH-WaterExponent(room)) } // mol/L
	near(t, "Mn(OH)2 in pure water, printed 3.7e-5 M and [OH-] 7.4e-5 M", hydroxide(HydroxidePH(2e-13, 2, 3.7e-2, room))/7.4e-5, 1, 0.02)
	near(t, "Mg(OH)2 in pure water, printed 1.3e-4 M and [OH-] 2.6e-4 M", hydroxide(HydroxidePH(8.9e-12, 2, 1.3e-1, room))/2.6e-4, 1, 0.02)
	// Does Mg(OH)2 fall out at [Mg2+] 0.0537 M, [OH-] 0.0010 M? Printed: yes.
	if pH := WaterExponent(room) - 3; HydroxidePH(8.9e-12, 2, 53.7, room) >= pH {
		t.Errorf("Mg(OH)2 must fall out at pH %.2f", pH)
	}
}

// pKw at the textbook temperatures, from memory of CRC tables: 14.94, 13.995, 13.26, 13.02.
func TestWaterExponent(t *testing.T) {
	for celsius, want := range map[float64]float64{0: 14.94, 25: 13.995, 50: 13.26, 60: 13.02} {
		near(t, "pKw, CRC from memory", WaterExponent(celsius+273.15), want, 0.02)
	}
	if !math.IsNaN(WaterExponent(200)) || !math.IsNaN(HydroxidePH(1e-15, 2, 0, 298)) || !math.IsNaN(DissolvedAt(0, 2, 7, 298)) {
		t.Error("outside the domain the answer must be NaN")
	}
}

func TestHydroxideRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ksp := math.Pow(10, rapid.Float64Range(-45, -8).Draw(t, "log ksp"))
		hydroxides := float64(rapid.IntRange(1, 4).Draw(t, "hydroxides"))
		concentration := math.Pow(10, rapid.Float64Range(-4, 3.5).Draw(t, "log concentration"))
		temperature := rapid.Float64Range(274, 372).Draw(t, "temperature")
		pH := HydroxidePH(ksp, hydroxides, concentration, temperature)
		if back := DissolvedAt(ksp, hydroxides, pH, temperature); math.Abs(back/concentration-1) > 1e-9 {
			t.Fatalf("%v mol/m³ came back as %v", concentration, back)
		}
		if HydroxidePH(ksp, hydroxides, 10*concentration, temperature) >= pH {
			t.Fatal("a richer bath must fall out at a lower pH")
		}
	})
}
