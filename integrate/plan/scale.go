package plan

import (
	"errors"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Scaled is the plan carried to a bigger mass.
type Scaled struct {
	electrolysis.Scaled
	Density               float64 // A/m2, that of the small cell
	HeatDoubt, VoltsDoubt float64 // relative, of what is worst known
	Air                   float64 // m3/s for all cells together
	Mark                  matter.Mark
}

// ErrNotAssessed says that a plan lacks the current or the cathode area.
var ErrNotAssessed = errors.New("it needs the current and the cathode area of the small cell")

// ScaleUp carries the plan to a mass in kg: same current density, gap, stirring and concentrations.
func (p *Plan) ScaleUp(mass float64, limits electrolysis.ScaleLimits) (*Scaled, error) {
	a := p.Assessed
	if a == nil {
		return nil, ErrNotAssessed
	}
	volts, doubt := a.Voltage.High, (a.Voltage.High-a.Voltage.Low)/4/a.Voltage.High // a supply has to reach the upper end of what is expected
	if v := a.Conditions.CellVolts; v.Known() {
		volts, doubt = v.Value, v.Relative()
	}
	scaled, err := electrolysis.ScaleUp(electrolysis.Pilot{
		MetalMass: p.Bath.Goal.Deposit.Value, Duration: p.Bath.Goal.Duration.Value, Volume: p.Bath.Volume.Value,
		CathodeArea: a.Conditions.CathodeArea.Value, Current: a.Conditions.Current.Value, CellVolts: volts, Heat: a.Heat.Power.Value,
	}, mass, limits)
	if err != nil {
		return nil, err
	}
	return &Scaled{
		Scaled: scaled, Density: a.CathodeDensity.Value, HeatDoubt: a.Heat.Power.Relative(), VoltsDoubt: doubt,
		Air:  a.Air.Needed.Value / a.Conditions.Current.Value * scaled.Current * float64(scaled.Cells),
		Mark: matter.Weakest(p.Bath.Goal.Duration.Mark, a.Heat.Power.Mark, a.Conditions.CathodeArea.Mark),
	}, nil
}

// Tapered is a programme of falling current that holds i/i_lim at Ratio or below.
type Tapered struct {
	Ratio    float64
	Settings []bath.Setting
	Mark     matter.Mark
}

// Taper makes the programme that brings the bath to the target at the plan's current or below.
func (p *Plan) Taper(ratio float64) (*Tapered, error) {
	settings, err := p.Bath.Programme(bath.Taper{LoadRatio: ratio, MaxCurrent: p.Bath.Conditions().Current.Value})
	if err != nil {
		return nil, err
	}
	return &Tapered{ratio, settings, p.Bath.Goal.Duration.Mark}, nil
}
