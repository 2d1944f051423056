package main

import (
	"io"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

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
	head = append(head, "")
	var rows [][]string
	// A row carries the weakest mark of its figures.
	row := func(label string, value func(q *planned) (string, matter.Mark)) {
		cells := []string{label}
		var weakest matter.Mark
		for _, q := range all {
			text, mark := value(q)
			cells, weakest = append(cells, text), matter.Weakest(weakest, mark)
		}
		rows = append(rows, append(cells, letter(weakest)))
	}
	goal := func(label string, mark func(g bath.Goal) matter.Mark, value func(q *planned) string) {
		row(label, func(q *planned) (string, matter.Mark) { return value(q), mark(q.plan.Goal) })
	}
	assessed := func(label string, mark func(a *electrolysis.Assessment) matter.Mark, value func(a *electrolysis.Assessment) string) {
		row(label, func(q *planned) (string, matter.Mark) {
			if q.assessed == nil {
				return "-", matter.Unmarked
			}
			return value(q.assessed), mark(q.assessed)
		})
	}
	charge := func(g bath.Goal) matter.Mark { return g.Charge.Mark }
	duration := func(g bath.Goal) matter.Mark { return g.Duration.Mark }
	current := func(a *electrolysis.Assessment) matter.Mark { return a.Conditions.Current.Mark }
	density := func(a *electrolysis.Assessment) matter.Mark { return a.CathodeDensity.Mark }
	energy := func(a *electrolysis.Assessment) matter.Mark { return a.Energy.Total.Mark }
	assessed("current, A", current, func(a *electrolysis.Assessment) string { return quantity.Digits(a.Conditions.Current.Value, 0) })
	assessed("cathode, cm²", func(a *electrolysis.Assessment) matter.Mark { return a.Conditions.CathodeArea.Mark }, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.Conditions.CathodeArea.Value*inSquareCentimetres, 0)
	})
	assessed("density, "+quantity.Printed(densityUnit), density, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.CathodeDensity.Value*perDensity(densityUnit), 0)
	})
	goal("charge, A·h", charge, func(q *planned) string { return quantity.Digits(q.plan.Goal.Charge.Value*inAmpereHours, 0) })
	goal("time, h", duration, func(q *planned) string { return quantity.Digits(q.plan.Goal.Duration.Value/3600, 0) })
	goal("deposit, g", charge, func(q *planned) string { return quantity.Digits(q.plan.Goal.Deposit.Value*inGrams, 0) })
	goal("efficiency, %", charge, func(q *planned) string { return quantity.Digits(q.plan.Goal.Overall*100, 0) })
	goal("at the end, %", charge, func(q *planned) string { return quantity.Digits(q.plan.Goal.Marginal*100, 0) })
	goal("i/i_lim at the end", charge, func(q *planned) string {
		if q.plan.Goal.RatioEnd == 0 {
			return "-"
		}
		return q.loadText(q.plan.Goal.RatioEnd) + " " + bath.QualityAt(q.plan.Goal.RatioEnd).Word
	})
	assessed("cell, V", func(a *electrolysis.Assessment) matter.Mark {
		if a.Conditions.CellVolts.Known() {
			return a.Conditions.CellVolts.Mark
		}
		return a.Voltage.Mark
	}, func(a *electrolysis.Assessment) string {
		if v := a.Conditions.CellVolts; v.Known() {
			return quantity.Digits(v.Value, v.StandardUncertainty) + " stated"
		}
		return quantity.Digits(a.Voltage.Best, (a.Voltage.High-a.Voltage.Low)/2) + " expected"
	})
	assessed("energy, kWh", energy, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.Energy.Total.Value*inKilowattHours, a.Energy.Total.StandardUncertainty*inKilowattHours)
	})
	assessed("kWh/kg", func(a *electrolysis.Assessment) matter.Mark { return a.Energy.Specific.Mark }, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.Energy.Specific.Value*inKilowattHours, a.Energy.Specific.StandardUncertainty*inKilowattHours)
	})
	assessed("heat, W", func(a *electrolysis.Assessment) matter.Mark { return a.Heat.Power.Mark }, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.Heat.Power.Value, a.Heat.Power.StandardUncertainty)
	})
	assessed("hydrogen at worst, L/h", current, func(a *electrolysis.Assessment) string {
		return quantity.Digits(a.Gas[0].Worst.Value*inLitresPerHour, 0)
	})
	assessed("fresh air, m³/h", current, func(a *electrolysis.Assessment) string { return quantity.Digits(a.Air.Needed.Value*inPerHour, 0) })
	printGrid(w, "Side by side", head, rows)
}
