package cell

import "math"

// MaxStep is the longest step, in seconds, for which the error of the midpoint rule stays far below any
// reading: heat and depletion take hours.
const MaxStep = 10.0

// rates are the derivatives by time of the slow quantities.
type rates struct {
	metal       float64 // mol/s onto the cathode
	evaporation float64 // m³/s of water
	temperature float64 // K/s
}

// Step passes dt seconds, at most MaxStep, under one drive and one influence, by the midpoint rule. It
// returns the operating point at the middle.
func (c *Cell) Step(dt float64, d Drive, in Influence) Point {
	before := *c
	p := c.Point(d, in)
	r := c.rates(p, in)
	c.apply(dt/2, r, in)
	if before.Deposit == 0 || c.Deposit > 0 { // else the last of the metal dissolves in this step: go on as it began
		p = c.Point(d, in)
		r = c.rates(p, in)
	}
	x := c.x
	*c = before
	c.x = x
	c.book(dt, p, r, in)
	return p
}

func (c *Cell) rates(p Point, in Influence) rates {
	s := &c.setup
	var r rates
	r.metal = p.MetalAmperes / (electrons * faraday)
	if c.Volume > 0 {
		r.evaporation = evaporation(c.Temperature) * s.Surface * s.Cover * in.Evaporation
	}
	room := s.Temperature + in.Room + s.RoomSwing*math.Sin(2*math.Pi*c.Elapsed/86400)
	heat := p.CellAmperes*p.CellVolts - p.MetalAmperes*s.Metal.Thermoneutral - p.HydrogenAmperes*waterThermoneutral
	if p.CellAmperes == 0 { // at rest the metal gives back its own heat of dissolution; small, and left out
		heat = 0
	}
	heat += p.CellVolts * p.CellVolts * in.ShortSiemens
	heat += in.Heat - s.HeatLoss*(c.Temperature-room) - r.evaporation*waterDensity*latentHeat
	r.temperature = heat / s.HeatCapacity
	if c.Temperature >= boiling && r.temperature > 0 {
		r.temperature = 0
	}
	return r
}

// evaporation is the level lost by an open still surface in m/s at the temperature in kelvins: a
// practitioner's fit, exp(−(7.2 − 0.03236·T)) US gallons per hour and square foot, T in °F.
func evaporation(kelvin float64) float64 {
	const perHour = 3.785412e-3 / 0.09290304 // m of level per gal/ft²
	fahrenheit := (kelvin-kelvin0)*1.8 + 32
	return math.Exp(-(7.2 - 0.03236*fahrenheit)) * perHour / 3600
}

// apply moves the slow quantities.
func (c *Cell) apply(dt float64, r rates, in Influence) {
	moved := r.metal * dt
	moved = math.Max(moved, -c.Deposit) // no more can dissolve than is there
	moved = math.Min(moved, c.BathMetal)
	c.Deposit += moved
	c.BathMetal -= moved
	if leak := math.Min(in.Leak*dt, c.Volume); leak > 0 {
		gone := c.BathMetal * leak / c.Volume
		c.BathMetal -= gone
		c.RemovedMetal += gone
		c.Volume -= leak
	}
	steam := math.Min(r.evaporation*dt, c.Volume)
	c.Volume -= steam
	c.Evaporated += steam
	c.Temperature = min(max(c.Temperature+r.temperature*dt, freezing), max(boiling, c.Temperature))
	c.Elapsed += dt
}

// book applies a whole step and counts its charge, energy and hydrogen.
func (c *Cell) book(dt float64, p Point, r rates, in Influence) {
	deposit := c.Deposit
	c.apply(dt, r, in)
	c.Charge += p.Amperes * dt
	c.Energy += p.Amperes * p.Volts * dt
	through := p.CellAmperes * dt
	c.CellCharge += through
	c.Hydrogen += (through - (c.Deposit-deposit)*electrons*faraday) / (2 * faraday)
	if p.CellAmperes > 0 {
		c.resting = 0
	} else {
		c.resting += dt
	}
}

// Add brings metal in kilograms and volume in cubic metres into the catholyte; a negative volume is a sample taken, which
// takes its share of the metal along.
func (c *Cell) Add(kilograms, volume float64) {
	if volume < 0 {
		if taken := math.Min(-volume, c.Volume); taken > 0 {
			gone := c.BathMetal * taken / c.Volume
			c.BathMetal -= gone
			c.RemovedMetal += gone
			c.Volume -= taken
		}
	} else {
		c.Volume += volume
	}
	moles := kilograms / c.setup.Metal.MolarMass
	c.BathMetal += moles
	c.AddedMetal += moles
}

// Point is where supply and cell have settled.
type Point struct {
	Volts, Amperes  float64 // at the supply's terminals
	CellVolts       float64 // between the electrodes
	CellAmperes     float64 // through the electrode reactions
	MetalAmperes    float64 // the share that deposits metal; negative while it dissolves
	HydrogenAmperes float64
	ConstantVoltage bool    // the voltage set-point binds
	Slope           float64 // dV/dI at the terminals, Ω
}

// sagTime and sagTo describe the back-EMF of a cell left alone: it sags as the anode's film and
// dissolved oxygen are used up. Common practice, no source.
const (
	sagTime = 1800.0 // s
	sagTo   = 0.4    // V
)

// Point returns the operating point for a drive under an influence, without passing time.
func (c *Cell) Point(d Drive, in Influence) Point {
	k := c.conditions(in)
	if !d.On || math.IsInf(k.lead, 1) || d.Amperes <= 0 {
		p := c.rest(&k)
		switch {
		case d.On && d.Amperes > 0 && math.IsInf(k.lead, 1):
			p.Volts, p.ConstantVoltage = d.Volts, true
		case math.IsInf(k.lead, 1) || k.short > 0:
			p.Volts = 0
		}
		return p
	}
	if k.short > 0 {
		if p, dead := c.shorted(&k, d); dead {
			return p
		}
	}
	r := k.solve(c.x, d.Amperes, atSupply)
	voltage := r.at > d.Volts
	if voltage {
		if k.short == 0 && d.Volts <= c.emf(&k) { // a supply does not sink: the cell holds it up
			return c.held(&k, d)
		}
		r = k.solve(c.x, d.Volts, atTerminals)
		if r.cell < 0 { // the deposit's mixed potential lies a little above the reversible one
			return c.held(&k, d)
		}
	}
	c.x = r.x
	if voltage { // exactly at the set-point that binds, without the remainder of the search
		r.at = d.Volts
	} else {
		r.supply = d.Amperes
	}
	return Point{
		Volts: r.at, Amperes: r.supply, CellVolts: r.volts, CellAmperes: max(r.cell, 0),
		MetalAmperes: r.metal, HydrogenAmperes: r.hydrogen, ConstantVoltage: voltage, Slope: r.dAt / r.dSupply,
	}
}

// held is a cell whose own voltage keeps the supply from delivering anything.
func (c *Cell) held(k *conditions, d Drive) Point {
	p := c.rest(k)
	p.ConstantVoltage = true
	p.Volts = math.Max(p.Volts, d.Volts)
	return p
}

// emf is the voltage across a cell that passes no current.
func (c *Cell) emf(k *conditions) float64 { return k.anodeE - k.nernst() }

// nernst is the potential of the metal at rest; an empty bath is taken as one part in a million.
func (k *conditions) nernst() float64 {
	return k.e + math.Log(math.Max(k.rich, 1e-6))/(2*f)
}

// rest is a cell without outside current: metal dissolves as fast as hydrogen forms, and the back-EMF sags.
func (c *Cell) rest(k *conditions) Point {
	var p Point
	if k.back > 0 {
		r := k.solve(-k.nernst(), 0, throughCell)
		p.MetalAmperes, p.HydrogenAmperes = r.metal, -r.metal
		v := k.anodeE - c.setup.AnodeE // a passive film has no EMF of its own
		full := r.volts - v
		p.CellVolts = sagTo + (full-sagTo)*math.Exp(-c.resting/sagTime)
		p.Volts = p.CellVolts
	}
	return p
}

// shorted handles a bridge that holds the cell below the voltage at which any current can
// pass through the bath: everything flows through metal. dead is false when the bath still takes its part.
func (c *Cell) shorted(k *conditions, d Drive) (p Point, dead bool) {
	bridge := 1 / k.short
	amperes := d.Amperes
	voltage := amperes*(bridge+k.lead) > d.Volts
	if voltage {
		amperes = d.Volts / (bridge + k.lead)
	}
	if amperes*bridge > c.emf(k) {
		return p, false
	}
	p = c.rest(k)
	p.Volts, p.Amperes, p.CellVolts = amperes*(bridge+k.lead), amperes, amperes*bridge
	p.ConstantVoltage, p.Slope = voltage, bridge+k.lead
	return p, true
}

// solution is a branch and the place where it was found.
type solution struct {
	branch
	x float64
}

// quantity is what a search is for.
type quantity uint8

const (
	throughCell quantity = iota // current through the reactions
	atSupply                    // current at the terminals
	atTerminals                 // volts at the terminals
)

func (b *branch) pick(q quantity) (value, slope float64) {
	switch q {
	case atSupply:
		return b.supply, b.dSupply
	case atTerminals:
		return b.at, b.dAt
	}
	return b.cell, b.dCell
}

// solve finds the x at which the chosen rising quantity reaches want, by Newton steps inside a bracket.
// The exponentials make a free Newton step overshoot, so a step is at most 80 mV.
func (k *conditions) solve(x, want float64, q quantity) solution {
	low, high := x-6, x+6
	tolerance := 1e-11 * math.Max(math.Abs(want), 1e-6)
	var s solution
	for range 200 {
		s.branch, s.x = k.at(x), x
		value, slope := s.pick(q)
		miss := value - want
		if math.Abs(miss) <= tolerance {
			break
		}
		if miss > 0 {
			high = x
		} else {
			low = x
		}
		if high-low < 1e-13 {
			break
		}
		next := x - math.Max(-0.08, math.Min(0.08, miss/slope))
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		x = next
	}
	return s
}
