package electrolysis

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/unit/constant"
	"pgregory.net/rapid"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// The printed answers of OpenStax Chemistry 2e, sections 17.3 and 17.4 (modules m68823,
// m68824). The book rounds to three decimals and uses 0.0592 V for RT·ln10/F.
func TestNernstWorkedExamples(t *testing.T) {
	const aluminium, zinc, copper = -1.662, -0.7618, 0.34 // V as the examples use them
	const room = matter.RoomTemperature
	cell := func(cathode, anode, electrons, quotient float64) float64 {
		return nernst(cathode-anode, electrons, quotient, room)
	}
	near(t, "§17.4, Al | Al3+ 0.15 M || Cu2+ 0.025 M | Cu, printed +1.97 V",
		cell(copper, aluminium, 6, 0.15*0.15/(0.025*0.025*0.025)), 1.97, 0.005) // outside: chemistry-2e 17.4
	near(t, "§17.4, Co + Fe2+ 1.94 M = Co2+ 0.15 M + Fe, printed -0.14 V after rounding E° to -0.17 V",
		nernst(-0.17, 2, 0.15/1.94, room), -0.14, 0.005) // outside: chemistry-2e 17.4
	near(t, "§17.4, zinc concentration cell 0.10/0.50 M, printed +0.021 V", cell(zinc, zinc, 2, 0.10/0.50), 0.021, 0.0005) // outside: chemistry-2e 17.4
	near(t, "§17.4 exercise, Al 0.015 M / Ni 0.25 M, printed 1.423 V",
		cell(-0.257, aluminium, 6, 0.015*0.015/(0.25*0.25*0.25)), 1.423, 0.0005) // outside: chemistry-2e 17.4

	// The same by single potentials of the package, instead of one quotient.
	near(t, "§17.4, Al/Cu by half cells, printed +1.97 V",
		metalPotential(copper, 2, 25, room)-metalPotential(aluminium, 3, 150, room), 1.97, 0.005) // outside: chemistry-2e 17.4
	near(t, "§17.4 exercise, Al/Ni by half cells, printed 1.423 V",
		metalPotential(-0.257, 2, 250, room)-metalPotential(aluminium, 3, 15, room), 1.423, 0.0005) // outside: chemistry-2e 17.4
}

// OpenStax Chemistry 2e, section 17.4: the equilibrium constants printed there are the
// quotients at which the cell voltage vanishes.
func TestEquilibriumWorkedExamples(t *testing.T) {
	near(t, "2Ag+ + Fe, E° +1.247 V, printed log K 42.128", nernst(1.247, 2, math.Pow(10, 42.128), matter.RoomTemperature), 0, 1e-3) // outside: chemistry-2e 17.4
	near(t, "Sn + 2Cu2+, E° +0.291 V, printed K 6.8e9", nernst(0.291, 2, 6.8e9, matter.RoomTemperature), 0, 5e-4)                    // outside: chemistry-2e 17.4
}

// The slope of the hydrogen electrode against CODATA constants as gonum carries them.
func TestHydrogenSlope(t *testing.T) {
	gas := float64(constant.Boltzmann.Unit().Value() * constant.Avogadro.Unit().Value())
	faraday := constant.Faraday.Unit().Value()
	want := -gas * matter.RoomTemperature * math.Ln10 / faraday
	near(t, "RT·ln10/F from gonum's CODATA constants", hydrogenPotential(1, matter.RoomTemperature), want, 1e-8)
	near(t, "the same, printed 0.0592 V in OpenStax Chemistry 2e §17.4", -hydrogenPotential(1, matter.RoomTemperature), 0.0592, 5e-5) // outside: chemistry-2e 17.4
	// OpenStax Chemistry 2e, Appendix L: the water couples at pH 14 are -0.8277 and +0.401 V.
	near(t, "2H2O + 2e at pH 14, Appendix L", hydrogenPotential(14, matter.RoomTemperature), -0.8277, 1e-3)  // outside: chemistry-2e Appendix L
	near(t, "O2 + 2H2O + 4e at pH 14, Appendix L", oxygenPotential(14, matter.RoomTemperature), 0.401, 1e-3) // outside: chemistry-2e Appendix L
}

// Complexes: the standard potential of the complex must follow from that of the plain
// ion and the formation constant, both of OpenStax Chemistry 2e (Appendices L and K).
func TestComplexPotentials(t *testing.T) {
	for _, row := range []struct {
		complex, plain, formation float64
		name                      string
		couple                    matter.Couple
	}{
		{-0.31, 0.7996, 1e21, "[Ag(CN)2]-, Appendix K 1e21", matter.Couple{Valence: 1, Ligand: "cyanide", Ligands: 2}},
		{-0.43, 0.521, 1.0e16, "[Cu(CN)2]-, Appendix K 1.0e16", matter.Couple{Valence: 1, Ligand: "cyanide", Ligands: 2}},
		{-1.199, -0.7618, 2e15, "[Zn(OH)4]2-, Appendix K 2e15", matter.Couple{Valence: 2, Ligand: "hydroxide", Ligands: 4}},
	} {
		row.couple.Potential.Value = row.complex
		got := couplePotential(row.couple, 1000, solution.WaterExponent(matter.RoomTemperature), 1000, matter.RoomTemperature)
		near(t, row.name+": standard state", got, row.complex, 1e-9)
		// 0.15 V: tables of potentials and of formation constants come from different decades.
		near(t, row.name, got, nernst(row.plain, float64(row.couple.Valence), row.formation, matter.RoomTemperature), 0.15)
	}
	bismuth := matter.Couple{Valence: 3, Protons: 2, Potential: matter.Figure{Value: 0.320}}
	one := couplePotential(bismuth, 1000, 0, 0, matter.RoomTemperature) - couplePotential(bismuth, 1000, 1, 0, matter.RoomTemperature)
	near(t, "BiO+ + 2H+ + 3e: 2/3 of 59 mV per pH unit, by the equation", one, 0.05916*2/3, 1e-5)
}

// Physics: more metal or heat-independent sign rules that hold for any entry.
func TestNernstProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		standard := rapid.Float64Range(-1.5, 1.7).Draw(t, "standard")
		valence := rapid.IntRange(1, 6).Draw(t, "valence")
		temperature := rapid.Float64Range(274, 370).Draw(t, "temperature")
		little := rapid.Float64Range(1e-6, 4e3).Draw(t, "little")
		more := little * rapid.Float64Range(1.01, 100).Draw(t, "factor")
		if metalPotential(standard, valence, more, temperature) <= metalPotential(standard, valence, little, temperature) {
			t.Fatal("more metal must be nobler")
		}
		couple := matter.Couple{Valence: valence, Potential: matter.Figure{Value: standard}}
		plain := metalPotential(standard, valence, little, temperature)
		if got := couplePotential(couple, little, 3, 0, temperature); math.Abs(got-plain) > 1e-12 {
			t.Fatalf("a plain ion must not feel the pH: %v, %v", got, plain)
		}
		low := rapid.Float64Range(-1, 13).Draw(t, "pH")
		if hydrogenPotential(low+1, temperature) >= hydrogenPotential(low, temperature) {
			t.Fatal("hydrogen must be harder at higher pH")
		}
		// The water window is as wide at every pH.
		near := oxygenPotential(low, temperature) - hydrogenPotential(low, temperature)
		if math.Abs(near-oxygenPotential(0, temperature)) > 1e-12 {
			t.Fatal("oxygen and hydrogen must move together with pH")
		}
	})
}

// standardFloor is the floor at standard states: pH 0, 1 mol/L, 25 °C.
func standardFloor(t *testing.T, symbol string, medium matter.Medium) Floor {
	t.Helper()
	metal, err := matter.LookUp(symbol)
	if err != nil {
		t.Fatal(err)
	}
	couple, err := metal.Couple(medium, 0)
	if err != nil {
		t.Fatal(err)
	}
	return floorVoltage(anodeReactions(anolyteLiquid{Medium: medium, Temperature: matter.RoomTemperature}, symbol),
		couplePotential(couple, 1000, 0, 0, matter.RoomTemperature), hydrogenPotential(0, matter.RoomTemperature))
}

// 1.23 V less the standard potential, the figures being those of the standard tables
// (OpenStax Chemistry 2e, Appendix L) to two decimals.
func TestStandardFloors(t *testing.T) {
	for symbol, want := range map[string]float64{"Ag": 0.43, "Cu": 0.89, "Ni": 1.49, "Co": 1.51, "Zn": 1.99} {
		near(t, symbol+" over an oxygen anode", standardFloor(t, symbol, matter.Sulfate).Metal, want, 0.006)
	}
	// Manganese: 2.41 V with oxygen; manganese dioxide is as easy at pH 0 to the hundredth.
	manganese := standardFloor(t, "Mn", matter.Sulfate)
	near(t, "Mn over an oxygen anode", manganese.Expected, 2.41, 0.006)
	near(t, "Mn with the easiest anode reaction", manganese.Metal, 2.41, 0.01)
	// Iron: ferrous gives its electron before water does, so the floor is lower.
	iron := standardFloor(t, "Fe", matter.Sulfate)
	near(t, "Fe over an oxygen anode, 1.229 + 0.447", iron.Expected, 1.676, 0.002)
	near(t, "Fe with ferrous in the anolyte, 0.771 + 0.447", iron.Metal, 1.218, 0.002)
}

func TestFloorOfWater(t *testing.T) {
	// A metal below hydrogen: any current needs at least the voltage that splits water,
	// 1.229 V (OpenStax Chemistry 2e, Appendix L). A nobler one needs only its own.
	near(t, "zinc cell, water", standardFloor(t, "Zn", matter.Sulfate).Any, 1.229, 1e-9)
	copper := standardFloor(t, "Cu", matter.Sulfate)
	near(t, "copper cell", copper.Any, copper.Metal, 1e-12)
}

func TestFloorMoves(t *testing.T) {
	at := func(anolytePH float64) float64 {
		return floorVoltage(anodeReactions(anolyteLiquid{Medium: matter.Sulfate, PH: anolytePH, Temperature: matter.RoomTemperature}, "Zn"), -0.7618, 0).Metal
	}
	near(t, "one pH unit in the anolyte, 59 mV by the Nernst equation", at(2)-at(3), 0.05916, 1e-5)
	floor := floorVoltage(nil, -0.76, 0)
	if floor.Metal != 0 || floor.Expected != 0 {
		t.Errorf("a soluble anode has no floor, got %+v", floor)
	}
}

func TestAnodeReactions(t *testing.T) {
	const room = matter.RoomTemperature
	reactions := anodeReactions(anolyteLiquid{Medium: matter.Chloride, PH: 1, Chloride: 2000, Temperature: room}, "Zn")
	if len(reactions) != 2 || reactions[0].Gas != Chlorine || !reactions[0].Expected || reactions[1].Gas != Oxygen {
		t.Fatalf("chloride: chlorine first, oxygen possible; got %+v", reactions)
	}
	if reactions[1].Potential >= reactions[0].Potential {
		t.Error("by thermodynamics oxygen comes before chlorine (1.229 and 1.358 V, OpenStax Appendix L)")
	}
	if got := anodeReactions(anolyteLiquid{Medium: matter.Sulfate, PH: 1, Chloride: 0, Temperature: room}, "Zn"); len(got) != 1 || got[0].Gas != Oxygen {
		t.Errorf("sulfate: oxygen alone; got %+v", got)
	}
	if got := anodeReactions(anolyteLiquid{Medium: matter.Sulfate, PH: 1, Chloride: 500, Temperature: room}, "Ni"); len(got) != 2 || got[0].Gas != Oxygen || got[1].Gas != Chlorine || got[1].Expected {
		t.Errorf("sulfate with chloride: oxygen, and chlorine possible; got %+v", got)
	}
	near(t, "standard chlorine potential, OpenStax Appendix L", chlorinePotential(1000, room), 1.35827, 1e-9)
	for _, symbol := range []string{"Mn", "Pb", "Fe", "Sn", "Co"} {
		if got := anodeReactions(anolyteLiquid{Medium: matter.Sulfate, PH: 1, Chloride: 0, Temperature: room}, symbol); len(got) != 2 || got[1].Note == "" || got[1].Gas != NoGas {
			t.Errorf("%s: the metal's own anode reaction is missing: %+v", symbol, got)
		}
	}
	for _, medium := range matter.Media() {
		got := anodeReactions(anolyteLiquid{Medium: medium, PH: 7, Chloride: 0, Temperature: room}, "Cu")
		expected := 0
		for _, r := range got {
			if r.Expected {
				expected++
			}
			if r.Expected && math.IsNaN(r.Potential) {
				t.Errorf("%s: the expected reaction has no potential", medium)
			}
		}
		if expected != 1 {
			t.Errorf("%s: %d expected reactions, want 1", medium, expected)
		}
	}
}

// TestPlainIonsOfAcidAlone: the couples of tin(II), iron(II), lead(II) and manganese(II) are those of plain ions in acid. A stannate bath holds tin(IV)
// already, and in alkali only oxygen, 0.401 V at pH 14 (OpenStax Chemistry 2e, Appendix L), sets the floor, whatever else is dissolved.
func TestPlainIonsOfAcidAlone(t *testing.T) {
	for _, metal := range []string{"Sn", "Fe", "Pb", "Mn"} {
		for _, a := range []anolyteLiquid{{Medium: matter.Alkaline, PH: 14, Temperature: matter.RoomTemperature}, {Medium: matter.Sulfate, PH: 0, Temperature: matter.RoomTemperature}} {
			own := floorVoltage(anodeReactions(a, metal), 0, -9).Metal
			a.Others = []string{metal}
			beside := floorVoltage(anodeReactions(a, "Zn"), 0, -9).Metal
			near(t, metal+" beside zinc as by itself, V", beside, own, 1e-12)
			if a.Medium == matter.Alkaline {
				near(t, metal+" in alkali, V", own, 0.401, 0.002)
			}
		}
	}
	reactions := anodeReactions(anolyteLiquid{Medium: matter.Cyanide, PH: 12, Temperature: matter.RoomTemperature, Others: []string{"Ag"}}, "Cu")
	if len(reactions) != 2 {
		t.Errorf("cyanide is oxidized once: %+v", reactions)
	}
}
