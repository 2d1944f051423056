package electrolysis

import (
	"math"
	"testing"

	"nightcell/integrate/matter"
)

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
	return FloorVoltage(FloorConditions{
		Anolyte: Anolyte{Medium: medium, Temperature: matter.RoomTemperature}, Metal: symbol,
		MetalPotential: CouplePotential(couple, 1000, 0, 0, matter.RoomTemperature),
	})
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
		return FloorVoltage(FloorConditions{
			Anolyte: Anolyte{Medium: matter.Sulfate, PH: anolytePH, Temperature: matter.RoomTemperature}, Metal: "Zn", MetalPotential: -0.7618,
		}).Metal
	}
	near(t, "one pH unit in the anolyte, 59 mV by the Nernst equation", at(2)-at(3), 0.05916, 1e-5)
	floor := FloorVoltage(FloorConditions{SolubleAnode: true, MetalPotential: -0.76})
	if floor.Metal != 0 || floor.Expected != 0 {
		t.Errorf("a soluble anode has no floor, got %+v", floor)
	}
}

func TestAnodeReactions(t *testing.T) {
	const room = matter.RoomTemperature
	reactions := AnodeReactions(Anolyte{Medium: matter.Chloride, PH: 1, Chloride: 2000, Temperature: room}, "Zn")
	if len(reactions) != 2 || reactions[0].Gas != Chlorine || !reactions[0].Expected || reactions[1].Gas != Oxygen {
		t.Fatalf("chloride: chlorine first, oxygen possible; got %+v", reactions)
	}
	if reactions[1].Potential >= reactions[0].Potential {
		t.Error("by thermodynamics oxygen comes before chlorine (1.229 and 1.358 V, OpenStax Appendix L)")
	}
	if got := AnodeReactions(Anolyte{Medium: matter.Sulfate, PH: 1, Chloride: 0, Temperature: room}, "Zn"); len(got) != 1 || got[0].Gas != Oxygen {
		t.Errorf("sulfate: oxygen alone; got %+v", got)
	}
	if got := AnodeReactions(Anolyte{Medium: matter.Sulfate, PH: 1, Chloride: 500, Temperature: room}, "Ni"); len(got) != 2 || got[0].Gas != Oxygen || got[1].Gas != Chlorine || got[1].Expected {
		t.Errorf("sulfate with chloride: oxygen, and chlorine possible; got %+v", got)
	}
	near(t, "standard chlorine potential, OpenStax Appendix L", ChlorinePotential(1000, room), 1.35827, 1e-9)
	for _, symbol := range []string{"Mn", "Pb", "Fe", "Sn", "Co"} {
		if got := AnodeReactions(Anolyte{Medium: matter.Sulfate, PH: 1, Chloride: 0, Temperature: room}, symbol); len(got) != 2 || got[1].Note == "" || got[1].Gas != NoGas {
			t.Errorf("%s: the metal's own anode reaction is missing: %+v", symbol, got)
		}
	}
	for _, medium := range matter.Media() {
		got := AnodeReactions(Anolyte{Medium: medium, PH: 7, Chloride: 0, Temperature: room}, "Cu")
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
