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
	freezing           = 253.0  // K; and cooling here, about where a strong brine freezes
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

// Totals is everything the cell knows about itself, up to the last step: the truth that instruments only approach.
type Totals struct {
	Elapsed      float64 // s since the beginning
	Charge       float64 // delivered by the supply, through short circuits too, C
	CellCharge   float64 // through the electrode reactions, C
	Energy       float64 // delivered by the supply, J
	Deposit      float64 // on the cathode, mol
	Hydrogen     float64 // H2 made, mol
	BathMetal    float64 // in the catholyte, mol
	AddedMetal   float64 // brought in since the beginning, mol
	RemovedMetal float64 // leaked or sampled, mol
	Volume       float64 // catholyte, m³
	Evaporated   float64 // water, m³
	Temperature  float64 // K
}

// Cell is the state of one cell. It is not safe for use by several goroutines.
type Cell struct {
	setup Setup

	Totals
	resting float64 // s since current last flowed

	x float64 // −φ of the last solution, from where the next search begins
}

// New builds a cell with nothing deposited.
func New(s Setup) (*Cell, error) {
	if err := s.validate(); err != nil {
		return nil, err
	}
	return &Cell{
		setup: s, Totals: Totals{BathMetal: s.Concentration * s.Volume, Volume: s.Volume, Temperature: s.Temperature},
		resting: math.Inf(1), x: -s.Metal.Potential,
	}, nil
}

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

// Influence is what the outside does to the cell at one instant: the ways in which a night goes wrong.
// The zero value with Stirring 1 and Evaporation 1 is a healthy cell; Healthy returns it.
type Influence struct {
	ShortSiemens float64 // conductance of metal bridging the electrodes
	LeadOhms     float64 // resistance of leads and clips; +Inf is an open lead
	ExtraOhms    float64 // added between the electrodes: a clogged diaphragm, gas under the plates
	AnodeVolts   float64 // added overvoltage of a passivated anode
	Stirring     float64 // factor on the transfer coefficient
	Evaporation  float64 // factor on evaporation
	Hydrogen     float64 // factor on the hydrogen exchange density, minus one
	Leak         float64 // catholyte lost, m³/s
	Heat         float64 // brought in by a heater, W
	Room         float64 // added to the room's temperature, K
}

// Healthy is the influence on an undisturbed cell, with leads of 20 mΩ.
func Healthy() Influence { return Influence{LeadOhms: 0.02, Stirring: 1, Evaporation: 1} }

// Drive is what the supply offers.
type Drive struct {
	Volts, Amperes float64 // set-points
	On             bool
}

// conditions are the figures that stay fixed while one operating point is sought.
type conditions struct {
	area, anode float64 // m²
	rich        float64 // c/c°
	limit       float64 // i0/(n·F·k_m·c°): makes the transport limit without dividing by c
	i0, e       float64
	hydrogen    float64
	b           float64 // ln10/b_H
	share       float64 // 1/(1−s)
	anodeV      float64 // b_A/ln10
	anodeI0     float64
	anodeE      float64
	ohms        float64
	short, lead float64
	back        float64 // 1 when there is metal on the cathode that can dissolve, else 0
}

const f = faraday / (gas * standard)

// conditions gathers them from the present state.
func (c *Cell) conditions(in Influence) conditions {
	s := &c.setup
	wetted := c.wetted()
	warm := c.Temperature - s.Temperature
	k := s.Transfer * math.Max(in.Stirring, 1e-3) * (1 + 0.026*warm)
	r := conditions{
		area: s.Area * wetted, anode: s.AnodeArea * wetted,
		i0: s.Metal.ExchangeDensity, e: s.Metal.Potential,
		limit:    s.Metal.ExchangeDensity / (electrons * faraday * k * referenceMolarity),
		hydrogen: s.Hydrogen * (1 + in.Hydrogen), b: math.Ln10 / s.HydrogenB,
		share:  1 / (1 - s.Impurity),
		anodeV: s.AnodeB / math.Ln10, anodeI0: s.AnodeI0, anodeE: s.AnodeE + in.AnodeVolts,
		ohms:  s.Resistance/(1+0.02*warm)/wetted + in.ExtraOhms,
		short: in.ShortSiemens, lead: in.LeadOhms,
	}
	if c.Volume > 0 {
		r.rich = math.Min(c.BathMetal/c.Volume/referenceMolarity, saturated)
	}
	if c.Deposit > 0 {
		r.back = 1
	}
	return r
}

// wetted is the share of the plates that is under the liquid. It stops at 2 %, a meniscus.
func (c *Cell) wetted() float64 {
	s := &c.setup
	lost := (s.Volume-c.Volume)/s.Surface - s.Margin
	if lost <= 0 {
		return 1
	}
	return math.Max(1-lost/s.PlateHeight, 0.02)
}

// saturated is how rich a bath can be, in kmol/m3. Salt beyond it lies on the bottom, as it does
// in a bath that leaked away. It is above what salts of such metals reach (from memory).
const saturated = 20

// branch is the state of both electrodes and the circuit at one cathode potential φ = −x.
type branch struct {
	metal, hydrogen float64 // A
	cell, volts     float64 // A through the reactions, V across the cell
	supply, at      float64 // A and V at the supply's terminals
	dCell, dVolts   float64 // derivatives by x
	dSupply, dAt    float64
}

// at evaluates the model of the package comment at x = −φ.
func (k *conditions) at(x float64) branch {
	forward := k.i0 * math.Exp(f*(k.e+x))
	backward := k.back * k.i0 * k.i0 / forward
	slow := 1 + k.limit/k.i0*forward
	net := k.rich*forward - backward
	metal := net / slow
	dMetal := (f*(k.rich*forward+backward) - metal*f*(slow-1)) / slow
	hydrogen := k.hydrogen * math.Exp(k.b*x)
	var r branch
	r.metal = metal * k.area
	r.cell = (metal + hydrogen) * k.area * k.share
	r.dCell = (dMetal + k.b*hydrogen) * k.area * k.share
	r.hydrogen = r.cell - r.metal
	density := r.cell / k.anode
	r.volts = k.anodeE + k.anodeV*math.Asinh(density/(2*k.anodeI0)) + x + r.cell*k.ohms
	r.dVolts = k.anodeV*r.dCell/k.anode/math.Sqrt(density*density+4*k.anodeI0*k.anodeI0) + 1 + r.dCell*k.ohms
	r.supply = r.cell + k.short*r.volts
	r.dSupply = r.dCell + k.short*r.dVolts
	r.at = r.volts + r.supply*k.lead
	r.dAt = r.dVolts + r.dSupply*k.lead
	return r
}
