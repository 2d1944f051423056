package main

import (
	"fmt"
	"io"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

// scaledPlan is the plan carried to a bigger mass.
type scaledPlan struct {
	electrolysis.Scaled
	density float64 // A/m2, that of the pilot
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
	volts := a.Voltage.Best
	if a.Conditions.CellVolts.Known() {
		volts = a.Conditions.CellVolts.Value
	}
	scaled, err := electrolysis.ScaleUp(electrolysis.Pilot{
		MetalMass: p.plan.Goal.Deposit.Value, Duration: p.plan.Goal.Duration.Value, Volume: p.plan.Volume.Value,
		CathodeArea: a.Conditions.CathodeArea.Value, Current: a.Conditions.Current.Value, CellVolts: volts, Heat: a.Heat.Power.Value,
	}, mass, limits)
	if err != nil {
		return nil, usageError{err}
	}
	return &scaledPlan{scaled, a.CathodeDensity.Value}, nil
}

func printScaled(w io.Writer, s *scaledPlan, densityUnit string) {
	if s == nil {
		return
	}
	row := func(label string, value float64, unit string) []string {
		return []string{label, sensible(value, 0) + " " + unit}
	}
	printGrid(w, fmt.Sprintf("Scaled up %s times, at the same current density, gap, stirring and concentrations", sensible(s.Factor, 0)), []string{"", ""}, [][]string{
		{"batches", fmt.Sprintf("%d of %s g", s.Batches, sensible(s.BatchMass*inGrams, 0))},
		{"cells in series", fmt.Sprint(s.Cells)},
		row("cathode area of each", s.CathodeArea*inSquareCentimetres, "cm²"),
		row("current density", s.density*perDensity(densityUnit), prettyUnit(densityUnit)),
		row("bath of each", s.Volume*1e3, "L"),
		row("current", s.Current, "A"),
		{"supply to have", fmt.Sprintf("%s A, %s V", sensible(s.SupplyAmperes, 0), sensible(s.SupplyVolts, 0))},
		row("heat in each", s.Heat, "W"),
		{"heat per litre", fmt.Sprintf("%s W/L, with %s of the wall per volume", sensible(s.HeatPerVolume/1e3, 0), sensible(s.CoolingRatio, 0))},
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
	return &taperedPlan{ratio, settings, p.plan.Metal.Element.Weight.Value}, nil
}

func printTaper(w io.Writer, t *taperedPlan) {
	if t == nil {
		return
	}
	var rows [][]string
	charge := 0.0
	for _, s := range t.settings {
		charge += s.Coulombs
		rows = append(rows, []string{sensible(s.At/3600, 0) + " h", sensible(s.Amperes, 0), sensible(s.Seconds/3600, 0), sensible(charge*inAmpereHours, 0),
			sensible(s.Concentration*t.molar, 0), sensible(s.LoadRatio, 0)})
	}
	printGrid(w, fmt.Sprintf("Programme that holds i/i_lim at %s or below, set by hand: hardly any charge is wasted", sensible(t.ratio, 0)),
		[]string{"from", "A", "for h", "A·h then", "g/L then", "i/i_lim"}, rows)
}

// printCompared sets other currents or areas beside the plan.
func printCompared(w io.Writer, p *planned, others []*planned, densityUnit string) {
	if len(others) == 0 {
		return
	}
	all := append([]*planned{p}, others...)
	head := []string{""}
	for _, q := range all {
		head = append(head, q.name)
	}
	var rows [][]string
	row := func(label string, value func(q *planned) string) {
		cells := []string{label}
		for _, q := range all {
			cells = append(cells, value(q))
		}
		rows = append(rows, cells)
	}
	assessed := func(label string, value func(a *electrolysis.Assessment) string) {
		row(label, func(q *planned) string {
			if q.assessed == nil {
				return "-"
			}
			return value(q.assessed)
		})
	}
	assessed("current, A", func(a *electrolysis.Assessment) string { return sensible(a.Conditions.Current.Value, 0) })
	assessed("cathode, cm²", func(a *electrolysis.Assessment) string {
		return sensible(a.Conditions.CathodeArea.Value*inSquareCentimetres, 0)
	})
	assessed("density, "+prettyUnit(densityUnit), func(a *electrolysis.Assessment) string {
		return sensible(a.CathodeDensity.Value*perDensity(densityUnit), 0)
	})
	row("charge, A·h", func(q *planned) string { return sensible(q.plan.Goal.Charge.Value*inAmpereHours, 0) })
	row("time, h", func(q *planned) string { return sensible(q.plan.Goal.Duration.Value/3600, 0) })
	row("deposit, g", func(q *planned) string { return sensible(q.plan.Goal.Deposit.Value*inGrams, 0) })
	row("efficiency, %", func(q *planned) string { return sensible(q.plan.Goal.Overall*100, 0) })
	row("at the end, %", func(q *planned) string { return sensible(q.plan.Goal.Marginal*100, 0) })
	row("i/i_lim at the end", func(q *planned) string {
		if q.plan.Goal.RatioEnd == 0 {
			return "-"
		}
		return sensible(q.plan.Goal.RatioEnd, 0) + " " + bath.QualityAt(q.plan.Goal.RatioEnd).Word
	})
	assessed("cell, V", func(a *electrolysis.Assessment) string {
		if v := a.Conditions.CellVolts; v.Known() {
			return sensible(v.Value, v.StandardUncertainty) + " stated"
		}
		return sensible(a.Voltage.Best, (a.Voltage.High-a.Voltage.Low)/4) + " expected"
	})
	assessed("energy, kWh", func(a *electrolysis.Assessment) string {
		return sensible(a.Energy.Total.Value*inKilowattHours, a.Energy.Total.StandardUncertainty*inKilowattHours)
	})
	assessed("kWh/kg", func(a *electrolysis.Assessment) string {
		return sensible(a.Energy.Specific.Value*inKilowattHours, a.Energy.Specific.StandardUncertainty*inKilowattHours)
	})
	assessed("heat, W", func(a *electrolysis.Assessment) string {
		return sensible(a.Heat.Power.Value, a.Heat.Power.StandardUncertainty)
	})
	assessed("hydrogen at worst, L/h", func(a *electrolysis.Assessment) string { return sensible(a.Gas[0].Worst.Value*inLitresPerHour, 0) })
	assessed("fresh air, m³/h", func(a *electrolysis.Assessment) string { return sensible(a.Air.Needed.Value*inPerHour, 0) })
	printGrid(w, "Side by side", head, rows)
}
