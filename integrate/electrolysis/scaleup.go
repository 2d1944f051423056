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

// ScaleUp carries the pilot, whose figures are above zero, to mass kg within the limits. The error lists every
// one of these that is not usable.
func ScaleUp(p Pilot, mass float64, limits ScaleLimits) (Scaled, error) {
	if err := checkScale(mass, limits); err != nil {
		return Scaled{}, fmt.Errorf("scale up: %w", err)
	}
	cells := float64(max(1, limits.Cells))
	factor := mass / p.MetalMass
	most := 1.0
	for _, use := range [][2]float64{
		{factor * p.Current / cells, limits.Current}, {factor * p.Volume, limits.Volume},
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

func checkScale(mass float64, limits ScaleLimits) error {
	var mistakes []error
	if !positive(mass) {
		mistakes = append(mistakes, fmt.Errorf("mass wanted (kg) is %g: it must be above zero", mass))
	}
	for name, value := range map[string]float64{"current (A)": limits.Current, "volume (m³)": limits.Volume} {
		if !notNegative(value) {
			mistakes = append(mistakes, fmt.Errorf("limit of %s is %g: it must not be negative (0: no limit)", name, value))
		}
	}
	return errors.Join(mistakes...)
}
