package cell

import "math"

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
	warm := c.temperature - s.Temperature
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
	if c.volume > 0 {
		r.rich = math.Min(c.metal/c.volume/referenceMolarity, saturated)
	}
	if c.deposit > 0 {
		r.back = 1
	}
	return r
}

// wetted is the share of the plates that is under the liquid. It stops at 2 %, a meniscus.
func (c *Cell) wetted() float64 {
	s := &c.setup
	lost := (s.Volume-c.volume)/s.Surface - s.Margin
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
