package main

import (
	"fmt"
	"io"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// scaledPlan is the plan carried to a bigger mass.
type scaledPlan struct {
	electrolysis.Scaled
	density float64 // A/m2, that of the pilot
	// relative doubts of what is worst known
	heatDoubt, voltsDoubt float64
	air                   float64 // m3/s for all cells together
	mark                  matter.Mark
}

// scalePlan does the arithmetic of the bigger cell: same current density, gap, stirring and concentrations.
func scalePlan(o *planOptions, p *planned) (*scaledPlan, error) {
	mass, err := quantity.Parse(quantity.Mass, o.scaleTo)
	if err != nil {
		return nil, usagef("--scale-to: %w", err)
	}
	limits := electrolysis.ScaleLimits{Cells: o.scaleCells}
	if o.scaleCells < 1 {
		return nil, usagef("--scale-cells: it is %d; at least 1 cell is needed", o.scaleCells)
	}
	if o.scaleCurrent != "" {
		if limits.Current, err = quantity.Parse(quantity.Current, o.scaleCurrent); err != nil {
			return nil, usagef("--scale-current: %w", err)
		}
	}
	if o.scaleVolume != "" {
		if limits.Volume, err = quantity.Parse(quantity.Volume, o.scaleVolume); err != nil {
			return nil, usagef("--scale-volume: %w", err)
		}
	}
	a := p.assessed
	if a == nil {
		return nil, usagef("--scale-to: it needs --current and --cathode-area of the small cell")
	}
	volts, voltsDoubt := a.Voltage.High, (a.Voltage.High-a.Voltage.Low)/4/a.Voltage.High // a supply has to reach the upper end of what is expected
	if v := a.Conditions.CellVolts; v.Known() {
		volts, voltsDoubt = v.Value, v.Relative()
	}
	scaled, err := electrolysis.ScaleUp(electrolysis.Pilot{
		MetalMass: p.plan.Goal.Deposit.Value, Duration: p.plan.Goal.Duration.Value, Volume: p.plan.Volume.Value,
		CathodeArea: a.Conditions.CathodeArea.Value, Current: a.Conditions.Current.Value, CellVolts: volts, Heat: a.Heat.Power.Value,
	}, mass, limits)
	if err != nil {
		return nil, usageError{err}
	}
	mark := matter.Weakest(p.plan.Goal.Duration.Mark, a.Heat.Power.Mark, a.Conditions.CathodeArea.Mark)
	air := a.Air.Needed.Value / a.Conditions.Current.Value * scaled.Current * float64(scaled.Cells)
	return &scaledPlan{scaled, a.CathodeDensity.Value, a.Heat.Power.Relative(), voltsDoubt, air, mark}, nil
}

func printScaled(w io.Writer, s *scaledPlan, densityUnit string) {
	if s == nil {
		return
	}
	row := func(label string, value float64, unit string) []string {
		return []string{label, quantity.Digits(value, 0) + " " + unit}
	}
	printGrid(w, fmt.Sprintf("Scaled up %s times, at the same current density, gap, stirring and concentrations (%s)", quantity.Digits(s.Factor, 0), letter(s.mark)), []string{"", ""}, [][]string{
		{"batches", fmt.Sprintf("%d of %s g", s.Batches, quantity.Digits(s.BatchMass*inGrams, 0))},
		{"cells in series", fmt.Sprint(s.Cells)},
		row("cathode area of each", s.CathodeArea*inSquareCentimetres, "cm²"),
		row("current density", s.density*perDensity(densityUnit), quantity.Printed(densityUnit)),
		row("bath of each", s.Volume*1e3, "L"),
		row("current", s.Current, "A"),
		{"supply to have", fmt.Sprintf("%s A, %s V", quantity.Digits(s.SupplyAmperes, 0), quantity.Digits(s.SupplyVolts, s.SupplyVolts*s.voltsDoubt))},
		{"fresh air for all", quantity.Digits(s.air*inPerHour, s.air*inPerHour*0.1) + " m³/h"},
		{"heat in each", quantity.Digits(s.Heat, s.Heat*s.heatDoubt) + " W"},
		{"heat per litre", fmt.Sprintf("%s W/L, with %s of the wall per volume", quantity.Digits(s.HeatPerVolume/1e3, s.HeatPerVolume/1e3*s.heatDoubt), quantity.Digits(s.CoolingRatio, 0))},
		row("time of a batch", s.BatchDuration/3600, "h"),
		row("time in all, under current", s.TotalDuration/3600, "h"),
		row("charge through the supply", s.TotalCharge*inAmpereHours, "A·h"),
		row("charge counted at all cells", s.MetalCharge*inAmpereHours, "A·h"),
	})
}

// taperedPlan is a programme of falling current.
type taperedPlan struct {
	ratio    float64
	settings []bath.Setting
	molar    float64 // kg/mol
	mark     matter.Mark
}

func taperPlan(text string, p *planned) (*taperedPlan, error) {
	var ratio float64
	v, err := quantity.ParseAny(text, quantity.Number, quantity.Fraction)
	if err != nil {
		return nil, usagef("--taper: %w", err)
	}
	ratio = v.SI
	settings, err := p.plan.Programme(bath.Taper{LoadRatio: ratio, MaxCurrent: p.plan.Conditions().Current.Value})
	if err != nil {
		return nil, usagef("--taper %s: %w", text, err)
	}
	return &taperedPlan{ratio, settings, p.plan.Metal.Element.Weight.Value, p.plan.Goal.Duration.Mark}, nil
}

func printTaper(w io.Writer, t *taperedPlan) {
	if t == nil {
		return
	}
	var rows [][]string
	charge := 0.0
	for _, s := range t.settings {
		charge += s.Coulombs
		rows = append(rows, []string{quantity.Digits(s.At/3600, 0) + " h", quantity.Digits(s.Amperes, 0), quantity.Digits(s.Seconds/3600, 0), quantity.Digits(charge*inAmpereHours, 0),
			quantity.Digits(s.Concentration*t.molar, 0), quantity.Digits(s.LoadRatio, 0)})
	}
	printGrid(w, fmt.Sprintf("Programme that holds i/i_lim at %s or below, set by hand: hardly any charge is wasted (%s)", quantity.Digits(t.ratio, 0), letter(t.mark)),
		[]string{"from", "A", "for h", "A·h then", "g/L then", "i/i_lim"}, rows)
}
