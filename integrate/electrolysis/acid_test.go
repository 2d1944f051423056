package electrolysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

func divalent() matter.Couple { return matter.Couple{Valence: 2} }

// Acid and water per ampere-hour. The figures follow from CODATA and CIAAW weights;
// 1.54 kg of acid per kg of copper is the textbooks' round figure, from memory.
func TestAcidPerAmpereHour(t *testing.T) {
	hour := func(efficiency float64) acidBase {
		return acidMade(ampereHour, efficiency, divalent(), ampereHour/matter.Faraday, 0)
	}
	near(t, "H⁺ per A·h, mol", hour(1).Anolyte, 0.03731137, 1e-8)
	near(t, "sulfuric acid in the anolyte, g/A·h", 1e3*AcidMass(hour(1).Anolyte, matter.Sulfate), 1.82960, 5e-5)
	near(t, "1.54 kg acid per kg copper, textbook figure from memory",
		AcidMass(hour(1).Bath, matter.Sulfate)/(ampereHour/(2*matter.Faraday)*copperMass), 1.54, 0.005)
	near(t, "60 A·h overnight: about 2 mol or 110 g", 60*AcidMass(hour(1).Bath, matter.Sulfate)*1e3, 110, 1)
	near(t, "water split, 0.336 g/A·h", 1e3*matter.MolarMassH2O*anodeCharge{Gas: [Chlorine + 1]float64{Oxygen: ampereHour}}.water(&Conditions{}), 0.336, 0.0005)
	near(t, "hydrogen and oxygen only: no acid in the bath as a whole", hour(0).Bath, 0, 1e-15)
	near(t, "base in the catholyte if nothing plates, mol", hour(0).Catholyte, 0.03731137, 1e-8)
}

// A zincate bath by the equations of its electrodes, balanced by hand: [Zn(OH)4]2- + 2e =
// Zn + 4OH- and 2OH- = ½O2 + H2O + 2e leave two OH⁻ for each zinc.
func TestAlkalineBathGainsHydroxide(t *testing.T) {
	zincate := matter.Couple{Valence: 2, Ligand: "hydroxide", Ligands: 4}
	made := acidMade(2*matter.Faraday, 1, zincate, 2, 0)
	near(t, "OH⁻ per mol of zinc", -made.Bath, 2, 1e-12)
	bismuth := matter.Couple{Valence: 3, Protons: 2}
	made = acidMade(3*matter.Faraday, 1, bismuth, 3, 0)
	near(t, "BiO+ + 2H+ + 3e, 3H+ from the anode: one H⁺ per mol of bismuth", made.Bath, 1, 1e-12)
}

func TestAcidBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		charge := rapid.Float64Range(0, 1e7).Draw(t, "charge")
		couple := matter.Couple{Valence: rapid.IntRange(1, 6).Draw(t, "valence"), Protons: float64(rapid.IntRange(0, 7).Draw(t, "protons"))}
		made := acidMade(charge, rapid.Float64Range(0, 1).Draw(t, "efficiency"), couple, charge/matter.Faraday*rapid.Float64Range(0, 2).Draw(t, "anode"), rapid.Float64Range(0, 1).Draw(t, "crossing"))
		if math.Abs(made.Anolyte-made.Catholyte-made.Bath) > 1e-9*(1+charge/matter.Faraday) {
			t.Fatalf("what one side gains the other must lose: %+v", made)
		}
		if made.Catholyte > made.CatholyteWorst*(1+1e-12) {
			t.Fatalf("the worst case must be the worst: %+v", made)
		}
	})
}

func TestAcids(t *testing.T) {
	for _, medium := range matter.Media() {
		if mass := AcidMass(1, medium); !(mass > 0.03 && mass < 0.11) {
			t.Errorf("%s: %v kg per mol of H⁺", medium, mass)
		}
	}
	// Molar masses of common acids, g/mol, from memory of any catalogue.
	for medium, want := range map[matter.Medium]float64{
		matter.Sulfate: 98.08 / 2, matter.Chloride: 36.46, matter.Nitrate: 63.01, matter.Methanesulfonate: 96.11, matter.Sulfamate: 97.09, matter.Fluoborate: 87.81,
	} {
		near(t, string(medium), 1e3*AcidMass(1, medium), want, 0.02)
	}
	near(t, "sodium hydroxide", 1e3*AcidMass(1, matter.Alkaline), 40.00, 0.01)
}

// TestDoubtOfTheAcid: before a chlorine anode the base is what the metal leaves to hydrogen, Q/F·(1 − e), so that an
// efficiency of 96.5 ± 3.9 % leaves 3.5 ± 3.9 %; before an oxygen anode the acid is Q/F·e.
func TestDoubtOfTheAcid(t *testing.T) {
	for medium, want := range map[matter.Medium][2]float64{matter.Chloride: {-0.035, 0.039}, matter.Sulfate: {0.965, 0.039}} {
		metal, err := matter.LookUp("Ni")
		if err != nil {
			t.Fatal(err)
		}
		figure := func(v float64) matter.Figure { return matter.GivenFigure(v, 0) }
		a, err := Assess(Conditions{Metal: metal, Medium: medium, Current: figure(2.5), Charge: figure(1e5), Efficiency: matter.GivenFigure(0.965, 0.039),
			CathodeArea: figure(1e-2), Concentration: figure(1000), Volume: figure(1e-3)})
		if err != nil {
			t.Fatal(err)
		}
		moles := 1e5 / 96485.33
		if got := a.Acid.Bath; math.Abs(got.Value/moles-want[0]) > 1e-6 || math.Abs(got.StandardUncertainty/moles-want[1]) > 1e-6 {
			t.Errorf("%s: %g ± %g mol, by hand %g ± %g", medium, got.Value, got.StandardUncertainty, want[0]*moles, want[1]*moles)
		}
	}
}

// TestBothSidesKnowTheDoubtOfTheEfficiency: what one side gains is no better known than what both gain. Before a chlorine anode hardly any
// acid crosses, and the catholyte's base is Q/F·(1 − e): from 40 to 95 % that is 0.05 to 0.60 of the faradays.
func TestBothSidesKnowTheDoubtOfTheEfficiency(t *testing.T) {
	c := zincCell(t)
	c.Medium, c.Anode, c.Separator = matter.Chloride, "graphite", Diaphragm
	c.Efficiency = matter.Figure{Value: 0.62, StandardUncertainty: 0.15, Low: 0.4, High: 0.95, Mark: matter.Assumed}
	a := assessed(t, c)
	faradays := c.Charge.Value / 96485.33
	near(t, "least base, mol", a.Acid.Catholyte.Low, 0.05*faradays, 0.01*faradays)
	near(t, "most base, mol", a.Acid.Catholyte.High, 0.60*faradays, 0.01*faradays)
	if a.Acid.Anolyte.High-a.Acid.Anolyte.Low > 0.01*faradays {
		t.Errorf("the anode knows nothing of the cathode: %+v", a.Acid.Anolyte)
	}
}
