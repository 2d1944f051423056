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
	if before.deposit == 0 || c.deposit > 0 { // else the last of the metal dissolves in this step: go on as it began
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
	if c.volume > 0 {
		r.evaporation = evaporation(c.temperature) * s.Surface * s.Cover * in.Evaporation
	}
	room := s.Temperature + in.Room + s.RoomSwing*math.Sin(2*math.Pi*c.elapsed/86400)
	heat := p.CellAmperes*p.CellVolts - p.MetalAmperes*s.Metal.Thermoneutral - p.HydrogenAmperes*waterThermoneutral
	if p.CellAmperes == 0 { // at rest the metal gives back its own heat of dissolution; small, and left out
		heat = 0
	}
	heat += p.CellVolts * p.CellVolts * in.ShortSiemens
	heat += in.Heat - s.HeatLoss*(c.temperature-room) - r.evaporation*waterDensity*latentHeat
	r.temperature = heat / s.HeatCapacity
	if c.temperature >= boiling && r.temperature > 0 {
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
	moved = math.Max(moved, -c.deposit) // no more can dissolve than is there
	moved = math.Min(moved, c.metal)
	c.deposit += moved
	c.metal -= moved
	if leak := math.Min(in.Leak*dt, c.volume); leak > 0 {
		gone := c.metal * leak / c.volume
		c.metal -= gone
		c.removed += gone
		c.volume -= leak
	}
	steam := math.Min(r.evaporation*dt, c.volume)
	c.volume -= steam
	c.evaporated += steam
	c.temperature += r.temperature * dt
	c.elapsed += dt
}

// book applies a whole step and counts its charge, energy and hydrogen.
func (c *Cell) book(dt float64, p Point, r rates, in Influence) {
	deposit := c.deposit
	c.apply(dt, r, in)
	c.charge += p.Amperes * dt
	c.energy += p.Amperes * p.Volts * dt
	through := p.CellAmperes * dt
	c.cellCharge += through
	c.hydrogen += (through - (c.deposit-deposit)*electrons*faraday) / (2 * faraday)
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
		taken := math.Min(-volume, c.volume)
		if taken > 0 {
			gone := c.metal * taken / c.volume
			c.metal -= gone
			c.removed += gone
			c.volume -= taken
		}
	} else {
		c.volume += volume
	}
	moles := kilograms / c.setup.Metal.MolarMass
	c.metal += moles
	c.added += moles
}

// Totals is everything the cell knows about itself: the truth that instruments only approach.
type Totals struct {
	Elapsed      float64 // s
	Charge       float64 // delivered by the supply, through short circuits too, C
	CellCharge   float64 // through the electrode reactions, C
	Energy       float64 // delivered by the supply, J
	Deposit      float64 // on the cathode, kg
	Hydrogen     float64 // made, mol
	BathMetal    float64 // in the catholyte, kg
	InitialMetal float64 // kg
	AddedMetal   float64 // kg
	RemovedMetal float64 // leaked or sampled, kg
	Volume       float64 // catholyte, m³
	Evaporated   float64 // m³
	Temperature  float64 // K
	Wetted       float64 // share of the plates under the liquid
}

// Totals returns the books up to the last step.
func (c *Cell) Totals() Totals {
	m := c.setup.Metal.MolarMass
	return Totals{
		Elapsed: c.elapsed, Charge: c.charge, CellCharge: c.cellCharge, Energy: c.energy,
		Deposit: c.deposit * m, Hydrogen: c.hydrogen, BathMetal: c.metal * m,
		InitialMetal: c.setup.Concentration * c.setup.Volume * m, AddedMetal: c.added * m, RemovedMetal: c.removed * m,
		Volume: c.volume, Evaporated: c.evaporated, Temperature: c.temperature, Wetted: c.wetted(),
	}
}
