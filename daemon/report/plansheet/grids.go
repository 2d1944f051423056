package plansheet

import (
	"fmt"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

const inAmpereHours = 1 / matter.AmpereHour

// letter is a mark in one letter, for titles.
func letter(m matter.Mark) string { return m.String()[:min(1, len(m.String()))] }

// cell is a number of a grid.
func cell(key string, value, doubt float64, unit report.Unit) report.Figure {
	return rough(key, "", value, doubt, unit, matter.Unmarked, "")
}

// course shows how the run goes, when its efficiency falls on the way.
func (p *sheet) course() report.Table {
	grid := &report.Grid{Head: []string{"recovered", "g/L", "h", "A·h", "g", "overall %", "marginal %", "i/i_lim", "deposit"}}
	for _, share := range []float64{0, 0.5, 0.8, 0.9, 0.95, 0.99} {
		at, ok := p.Bath.At(share)
		if !ok {
			continue
		}
		recovered := cell("recovered", share, 0, report.Percent)
		recovered.Text = quantity.Digits(share*100, 0) + " %"
		grid.Rows = append(grid.Rows, report.GridRow{Cells: []report.Figure{
			recovered, cell("concentration", at.Concentration, 0, report.GramsPerLitre), cell("at", at.Seconds, 0, report.Hours),
			cell("charge", at.Coulombs, 0, report.AmpereHours), cell("deposit", at.Deposit, 0, report.Grams), cell("overall_efficiency", at.Overall, 0.01, report.Percent),
			cell("marginal_efficiency", at.Marginal, 0.01, report.Percent), cell("limiting_current_share", at.LoadRatio, p.loadDoubt(at.LoadRatio), report.Share),
			{Key: "deposit_quality", Word: bath.QualityAt(at.LoadRatio).Word},
		}})
	}
	return report.Table{Key: "course", Title: "Course of the run, and beyond the target (" + letter(p.Bath.Goal.Duration.Mark) + ") " + report.Cite("the word for the deposit: "+practice), Grid: grid}
}

// programme is a taper, setting by setting.
func (p *sheet) programme(t *plan.Tapered) report.Table {
	grid := &report.Grid{Head: []string{"from", "A", "for h", "A·h then", "g/L then", "i/i_lim"}}
	charge := 0.0
	for _, s := range t.Settings {
		charge += s.Coulombs
		from := cell("at", s.At, 0, report.Hours)
		from.Text = quantity.Digits(s.At/3600, 0) + " h"
		grid.Rows = append(grid.Rows, report.GridRow{
			Cells: []report.Figure{
				from, cell("current", s.Amperes, 0, report.Amperes), cell("for", s.Seconds, 0, report.Hours), cell("", charge, 0, report.AmpereHours),
				cell("concentration", s.Concentration*p.Bath.Metal.Element.Weight.Value, 0, report.GramsPerLitre), cell("limiting_current_share", s.LoadRatio, 0, report.Share)},
			More: []report.Figure{cell("charge", s.Coulombs, 0, report.AmpereHours)},
		})
	}
	return report.Table{Key: "taper", Grid: grid,
		Title: fmt.Sprintf("Programme that keeps i/i_lim at %s or below, set by hand; hardly any charge is wasted (%s)", quantity.Digits(t.Ratio, 0), letter(t.Mark))}
}
