package watch

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/integrate/matter"
)

// TestAnAssayCorrectsWhatIsShown: after two hours an assay finds 1 g/L of zinc more in the bath than the account has:
// of 0.9 g that were counted on the cathode some are not there, and deposit, efficiency, energy and hydrogen all say so.
func TestAnAssayCorrectsWhatIsShown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(2*time.Hour + 2*time.Second)
		before := c.Latest()
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: "assay", By: "test",
			Numbers: map[string]float64{"concentration_kilograms_per_cubic_metre": before.Bath.ConcentrationGramPerLitre + 1}}); err != nil {
			t.Fatal(err)
		}
		after := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if lost := before.Bath.DepositGrams - after.Bath.DepositGrams; !(lost > 0.2 && lost < 0.9) { // by the doubts of assay, contents and volume
			t.Errorf("%.4f g less are shown on the cathode, 0.9 g were found in the bath", lost)
		}
		perCoulomb := 65.38 / (2 * matter.Faraday) // g, CIAAW abridged
		if want := after.Bath.DepositGrams / (perCoulomb * after.Charge.CountedCoulombs); math.Abs(after.Bath.OverallEfficiency/want-1) > 1e-4 {
			t.Errorf("efficiency %.4f, by the deposit shown %.4f", after.Bath.OverallEfficiency, want)
		}
		if want := after.Charge.EnergyJoules / after.Bath.DepositGrams * 1e3; math.Abs(after.Charge.JoulesPerKilogram/want-1) > 1e-9 {
			t.Errorf("%.4g J/kg, by the deposit shown %.4g", after.Charge.JoulesPerKilogram, want)
		}
		if after.Bath.HydrogenLitres <= before.Bath.HydrogenLitres {
			t.Error("the charge that won no metal made no hydrogen")
		}
	})
}
