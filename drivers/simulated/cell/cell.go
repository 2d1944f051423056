// Package cell is an electrolytic cell that wins metal from a salt bath, as physics:
// reversible voltage, kinetics at both electrodes, a resistance that falls as the
// bath warms, transport of metal to the cathode, hydrogen as the rival reaction,
// heat, evaporation, and a level that bares the plates. It knows nothing of instruments, noise or files.
//
// The model, in one place. Potentials are against the standard hydrogen electrode, in volts; f = F/RT.
//
//	metal       i_M = i0·[(c_s/c°)·exp(f·η) − exp(−f·η)],  η = E_M − φ,  c_s = c·(1 − i_M/i_lim),  i_lim = n·F·k_m·c
//	hydrogen    i_H = i0H·10^(−φ/b_H)
//	cathode     i = (i_M + i_H)/(1 − s)         s: share lost to hydrogen at impurities, whatever the potential
//	anode       φ_A = E_A + (b_A/ln 10)·asinh(i_A/2·i0A)
//	cell        V_C = φ_A − φ + I·R(T, level)
//	supply      I_S = I + V_C·G_short,  V = V_C + I_S·R_lead
//	heat        C·dT/dt = I·V_C − I_M·E_th,M − I_H·1.481 V + V_C²·G_short − loss − evaporation
//
// With the output off, i_M + i_H = 0: metal redissolves as fast as hydrogen forms, which is what zinc does in
// acid. Slopes of f in both directions make the metal's law end in the Nernst potential of a divalent metal, so
// only divalent metals can be simulated. All charge is accounted for: what is not metal is hydrogen.
package cell

import (
	"fmt"
	"math"
)

// Constants of nature. CODATA 2018, exact: elementary charge times the Avogadro constant, and the molar gas constant.
const (
	faraday = 96485.33212 // C/mol
	gas     = 8.314462618 // J/(mol·K)
)

const (
	kelvin0   = 273.15
	electrons = 2.0    // per ion
	standard  = 298.15 // K; the kinetics are taken at this temperature throughout
	// Heat neither made nor taken by water splitting: 285.83 kJ/mol over two
	// electrons (enthalpy of formation of liquid water; from memory).
	waterThermoneutral = 1.481  // V
	latentHeat         = 2.4e6  // J/kg, water near 40 °C; from memory
	waterDensity       = 1000.0 // kg/m³
	referenceMolarity  = 1000.0 // mol/m³, the standard state
	boiling            = 373.0  // K; the model stops warming here
)

// Metal is what distinguishes one bath's metal from another's.
type Metal struct {
	Symbol          string
	MolarMass       float64 // kg/mol
	Potential       float64 // standard potential, V
	ExchangeDensity float64 // i0, A/m² at 1 mol/L
	Thermoneutral   float64 // V, for ion + water → metal + oxygen + acid
}

// Setup describes a cell at the moment the run begins. SI units throughout.
type Setup struct {
	Metal         Metal
	Volume        float64 // catholyte, m³
	Concentration float64 // metal in it, mol/m³

	Area       float64 // wetted cathode, one face, m²
	AnodeArea  float64 // m²
	Transfer   float64 // k_m, m/s at the beginning's temperature
	Impurity   float64 // s, share of the current lost whatever the potential
	Hydrogen   float64 // i0H: hydrogen current density at 0 V against SHE, A/m²
	HydrogenB  float64 // b_H, V per decade
	AnodeE     float64 // reversible potential of the anode reaction, V
	AnodeI0    float64 // A/m²
	AnodeB     float64 // V per decade
	Resistance float64 // bath and diaphragm between the electrodes at the beginning's temperature, Ω

	Temperature  float64 // of the bath and, at the beginning, of the room, K
	RoomSwing    float64 // amplitude of the room's daily temperature wave, K
	HeatCapacity float64 // bath, vessel and anolyte, J/K
	HeatLoss     float64 // to the room, W/K
	Surface      float64 // open surface of the catholyte, m²
	Cover        float64 // share of the open-surface evaporation that a lid lets out
	PlateHeight  float64 // wetted height of the cathode, m
	Margin       float64 // depth of liquid that can be lost before the plate is bared, m
}

// validate reports the first figure that the model cannot use.
func (s Setup) validate() error {
	positive := []struct {
		name  string
		value float64
	}{
		{"volume", s.Volume}, {"cathode area", s.Area}, {"anode area", s.AnodeArea}, {"transfer coefficient", s.Transfer},
		{"hydrogen exchange density", s.Hydrogen}, {"hydrogen Tafel slope", s.HydrogenB}, {"anode exchange density", s.AnodeI0},
		{"anode Tafel slope", s.AnodeB}, {"resistance", s.Resistance}, {"temperature", s.Temperature},
		{"heat capacity", s.HeatCapacity}, {"surface", s.Surface}, {"plate height", s.PlateHeight},
		{"molar mass", s.Metal.MolarMass}, {"metal exchange density", s.Metal.ExchangeDensity},
	}
	for _, p := range positive {
		if !(p.value > 0) || math.IsInf(p.value, 0) {
			return fmt.Errorf("cell: %s is %g; it must be a positive number", p.name, p.value)
		}
	}
	if !(s.Concentration >= 0) || !(s.Impurity >= 0 && s.Impurity < 1) || !(s.HeatLoss >= 0) || !(s.Cover >= 0) || !(s.Margin >= 0) {
		return fmt.Errorf("cell: concentration, heat loss, cover and margin must not be negative, and the impurity share lies from 0 to below 1")
	}
	return nil
}

// Cell is the state of one cell. It is not safe for use by several goroutines.
type Cell struct {
	setup Setup

	elapsed     float64 // s since the beginning
	metal       float64 // mol in the catholyte
	volume      float64 // m³
	temperature float64 // K
	deposit     float64 // mol on the cathode
	hydrogen    float64 // mol of H2 made
	added       float64 // mol of metal brought in since the beginning
	removed     float64 // mol of metal that leaked or was sampled
	evaporated  float64 // m³ of water
	charge      float64 // C delivered by the supply
	cellCharge  float64 // C through the electrode reactions
	energy      float64 // J delivered by the supply
	resting     float64 // s since current last flowed

	x float64 // −φ of the last solution, from where the next search begins
}

// New builds a cell with nothing deposited.
func New(s Setup) (*Cell, error) {
	if err := s.validate(); err != nil {
		return nil, err
	}
	return &Cell{
		setup: s, metal: s.Concentration * s.Volume, volume: s.Volume, temperature: s.Temperature,
		resting: math.Inf(1), x: -s.Metal.Potential,
	}, nil
}
