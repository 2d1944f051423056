package cell

// Zinc is our scenario: zinc from a spent galvanizing pickle, 250 g of
// ZnSO4·7H2O in 0.9 L of catholyte behind a diaphragm, an aluminium cathode of 60 cm² and
// an oxygen anode. At 3 A it settles near 3.7 V and wins metal with about 88 % of the current while the bath is rich.
//
// Standard potential: OpenStax Chemistry 2e, Appendix L. Atomic weight: CIAAW 2021. Thermoneutral voltage: enthalpies of
// formation, from memory. The kinetic and thermal figures are chosen to give the voltages, the warm-up and the
// efficiency of common practice; no source.
func Zinc() Setup {
	const salt = 0.250 / 0.28754 // mol: 250 g of the heptahydrate at 287.54 g/mol
	return Setup{
		Metal: Metal{
			Symbol: "Zn", MolarMass: 0.06538, Potential: -0.7618,
			ExchangeDensity: 15, Thermoneutral: 2.279,
		},
		Volume: 0.9e-3, Concentration: salt / 0.9e-3,
		Area: 60e-4, AnodeArea: 80e-4, Transfer: 2e-5, Impurity: 0.08,
		Hydrogen: 1.6e-6, HydrogenB: 0.12,
		AnodeE: 1.21, AnodeI0: 0.02, AnodeB: 0.12,
		Resistance:  0.42,
		Temperature: kelvin0 + 20, RoomSwing: 1.5, HeatCapacity: 5200, HeatLoss: 0.5,
		Surface: 75e-4, Cover: 0.3, PlateHeight: 0.10, Margin: 0.012,
	}
}

// Copper is a bath in which depletion shows in the volts: hydrogen needs about 0.8 V more than copper does.
// 1 L at 20 g/L on 60 cm² of stainless steel. Sources as for Zinc.
func Copper() Setup {
	s := Zinc()
	s.Metal = Metal{
		Symbol: "Cu", MolarMass: 0.063546, Potential: 0.337,
		ExchangeDensity: 10, Thermoneutral: 1.145,
	}
	s.Volume, s.Concentration = 1e-3, 20/0.063546
	s.Hydrogen, s.Impurity, s.Resistance, s.Transfer = 2e-3, 0.04, 0.10, 1.5e-5
	return s
}
