package electrolysis

import (
	"errors"
	"fmt"
	"math"
)

// Margins of a supply over what the cell takes. Common practice, no source.
const (
	supplyCurrentMargin = 1.25
	supplyVoltageMargin = 1.30 // cold bath, growing resistance, longer leads
)

// Pilot is a run of known size, planned or done.
type Pilot struct {
	MetalMass   float64 // kg won
	Duration    float64 // s
	Volume      float64 // m³ of catholyte
	CathodeArea float64 // m²
	Current     float64 // A
	CellVolts   float64 // V
	Heat        float64 // W into the bath
}

// ScaleLimits is what the bigger plant must not exceed; a zero is no limit.
type ScaleLimits struct {
	Current float64 // A of the supply
	Volume  float64 // m³ of bath in one batch, all cells together
	Area    float64 // m² of cathode, all cells together
	Cells   int     // in series; 0 is 1
}

// Scaled is what the pilot becomes for another mass when current density, gap,
// stirring, temperature and start and end concentration stay the same, so that the duration of a batch stays too.
type Scaled struct {
	Factor        float64 // mass wanted over the pilot's
	Batches       int     // equal batches, one after another
	BatchMass     float64 // kg
	Cells         int     // in series
	CathodeArea   float64 // m² in each cell
	Volume        float64 // m³ in each cell
	Current       float64 // A through the string
	StringVolts   float64 // V over the string
	SupplyAmperes float64 // rating to buy, with 25 % in hand
	SupplyVolts   float64 // rating to buy, with 30 % in hand
	Heat          float64 // W in each cell
	HeatPerVolume float64 // W/m³ (numerically W/L times 1000); the same as the pilot's
	CoolingRatio  float64 // wall per volume over the pilot's; the bath runs hotter by about its inverse
	BatchDuration float64 // s
	TotalDuration float64 // s of current, without the time between batches
	TotalCharge   float64 // C through the supply
	MetalCharge   float64 // C counted at all cells: TotalCharge times Cells
}

// ScaleUp carries the pilot to mass kg within the limits. The error lists every
// figure that is not usable.
func ScaleUp(p Pilot, mass float64, limits ScaleLimits) (Scaled, error) {
	if err := checkScale(p, mass, limits); err != nil {
		return Scaled{}, fmt.Errorf("scale up: %w", err)
	}
	cells := float64(max(1, limits.Cells))
	factor := mass / p.MetalMass
	most := 1.0
	for _, use := range [][2]float64{
		{factor * p.Current / cells, limits.Current}, {factor * p.Volume, limits.Volume}, {factor * p.CathodeArea, limits.Area},
	} {
		if use[1] > 0 {
			most = math.Max(most, use[0]/use[1])
		}
	}
	const rounding = 1e-9 // a limit met exactly is met
	batches := math.Ceil(most - rounding)
	each := factor / batches / cells // size of one cell over the pilot
	s := Scaled{
		Factor: factor, Batches: int(batches), BatchMass: mass / batches, Cells: int(cells),
		CathodeArea: p.CathodeArea * each, Volume: p.Volume * each, Current: p.Current * each,
		StringVolts: p.CellVolts * cells, Heat: p.Heat * each,
		HeatPerVolume: p.Heat / p.Volume,
		CoolingRatio:  1 / math.Cbrt(each), BatchDuration: p.Duration, TotalDuration: p.Duration * batches,
	}
	s.SupplyAmperes = s.Current * supplyCurrentMargin
	s.SupplyVolts = s.StringVolts * supplyVoltageMargin
	s.TotalCharge = s.Current * s.TotalDuration
	s.MetalCharge = s.TotalCharge * cells
	return s, nil
}

func checkScale(p Pilot, mass float64, limits ScaleLimits) error {
	var mistakes []error
	above := func(name string, value float64) {
		if !positive(value) {
			mistakes = append(mistakes, fmt.Errorf("%s is %g: it must be above zero", name, value))
		}
	}
	above("mass wanted (kg)", mass)
	above("pilot metal mass (kg)", p.MetalMass)
	above("pilot duration (s)", p.Duration)
	above("pilot volume (m³)", p.Volume)
	above("pilot cathode area (m²)", p.CathodeArea)
	above("pilot current (A)", p.Current)
	above("pilot cell voltage (V)", p.CellVolts)
	notBelow := func(name string, value float64) {
		if !notNegative(value) {
			mistakes = append(mistakes, fmt.Errorf("%s is %g: it must not be negative (0: no limit)", name, value))
		}
	}
	notBelow("limit of current (A)", limits.Current)
	notBelow("limit of volume (m³)", limits.Volume)
	notBelow("limit of area (m²)", limits.Area)
	notBelow("cells in series", float64(limits.Cells))
	if math.IsNaN(p.Heat) || math.IsInf(p.Heat, 0) {
		mistakes = append(mistakes, fmt.Errorf("pilot heat (W) is %g: it must be a number", p.Heat))
	}
	return errors.Join(mistakes...)
}
