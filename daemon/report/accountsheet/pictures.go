package accountsheet

import (
	"bytes"
	"math"
	"slices"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/integrate"
)

// pictureHeight leaves room for a title on a sheet of A4.
const pictureHeight = 23 * vg.Centimeter

// picture draws panels above one time axis.
func picture(title string, panels []report.Panel) report.Table {
	var b bytes.Buffer
	if err := (report.Sheet{Axis: "hours since the start", Height: pictureHeight, SVG: true}).Draw(&b, panels); err != nil {
		return report.Table{Lines: []string{"No picture: " + err.Error()}, Aside: true}
	}
	return report.Table{Title: title, Picture: b.Bytes()}
}

// pictures draws the night: charge and deposit with the band of the plan, volts and amperes with what happened, efficiency by stage.
func (s *sheet) pictures() report.Table {
	panels := s.panels("", true)
	if stage := s.byStage(); len(stage.Curves) > 0 {
		panels = append(panels, stage)
	}
	return picture("The run", panels)
}

// besides are the figures in which accounts are compared.
var besides = []report.Beside{
	{Label: "charge", Names: []string{"charge_coulombs"}}, {Label: "deposit", Names: []string{"deposit_grams"}},
	{Label: "current efficiency", Names: []string{"current_efficiency_ratio"}}, {Label: "marginal efficiency", Names: []string{"marginal_efficiency_ratio"}},
	{Label: "energy", Names: []string{"specific_energy_joules_per_gram"}}, {Label: "mean voltage", Names: []string{"mean_voltage_volts"}},
	{Label: "mean current", Names: []string{"mean_current_amperes"}}, {Label: "current density", Names: []string{"current_density_amperes_per_square_metre"}},
	{Label: "mass transfer", Names: []string{"mass_transfer_metres_per_second"}}, {Label: "resistance", Names: []string{"resistance_ohms"}},
	{Label: "time on", Names: []string{"time_on_seconds"}}, {Label: "time in gaps", Names: []string{"time_in_gaps_seconds"}}, {Label: "cost", Names: []string{"specific_cost_per_gram"}},
}

// Beside sets two accounts side by side, with both nights in one picture. JSON has each of them whole.
func Beside(a, b *books.Books) *report.Report {
	both := []*report.Report{Of(a), Of(b)}
	r := &report.Report{Title: both[0].Name + " beside " + both[1].Name, Compared: both}
	var panels []report.Panel
	for i, one := range []*sheet{newSheet(a), newSheet(b)} {
		for j, p := range one.panels(", "+one.Books.Run, false) {
			if i == 0 {
				panels = append(panels, p)
			} else if k := slices.IndexFunc(panels, func(q report.Panel) bool { return q.Title == p.Title }); k >= 0 {
				panels[k].Curves = append(panels[k].Curves, p.Curves...)
			} else {
				panels = slices.Insert(panels, j, p)
			}
		}
	}
	compared := report.Compare("Side by side", both, besides)
	for _, row := range compared.Grid.Rows {
		for i := range row.Cells {
			row.Cells[i].Key = "" // JSON has both accounts whole
		}
	}
	r.Tables = []report.Table{compared, picture("Both runs", panels)}
	return r
}

func (s *sheet) hours(nanos int64) float64 { return float64(nanos-s.Account.Run.Begin) / 3600e9 }

// panels are the curves of a run; alone it also has its band and what happened.
func (s *sheet) panels(name string, alone bool) []report.Panel {
	n := len(s.Course)
	line := func(value func(i int) float64) plotter.XYs {
		xys := make(plotter.XYs, n)
		for i := range xys {
			xys[i] = plotter.XY{X: s.hours(s.Course[i].Nanos), Y: value(i)}
		}
		return xys
	}
	label := func(what string) string { return what + name }
	charge := report.Panel{Title: "charge", Unit: "A·h", Curves: []report.Curve{{Name: label("counted"), Line: line(func(i int) float64 { return s.Course[i].Coulombs / 3600 })}}}
	deposit := report.Panel{Title: "deposit", Unit: "g"}
	if s.Model != nil {
		deposit.Curves = []report.Curve{{Name: label("planned"), Line: line(func(i int) float64 { return s.Model[i].Value * 1e3 })}}
		if last := s.Model[n-1].Value; s.Efficiency.Known() && last > 0 {
			scale := s.Deposit.Value / last
			deposit.Curves = append(deposit.Curves, report.Curve{Name: label("actual, along the planned course"), Line: line(func(i int) float64 { return s.Model[i].Value * scale * 1e3 })})
		}
		if alone {
			edge := func(k float64) plotter.XYs {
				return line(func(i int) float64 { return (s.Model[i].Value + k*s.Model[i].StandardUncertainty) * 1e3 })
			}
			high := edge(integrate.CoverageFactor)
			slices.Reverse(high)
			deposit.Band = append(edge(-integrate.CoverageFactor), high...)
		}
	}
	volts := report.Panel{Title: "voltage", Unit: "V", Free: true, Curves: []report.Curve{{Name: label("cell"), Line: line(func(i int) float64 { return (s.Course[i].MinVolts + s.Course[i].MaxVolts) / 2 })}}}
	amperes := report.Panel{Title: "current", Unit: "A", Curves: []report.Curve{{Name: label("cell"), Line: line(func(i int) float64 { return (s.Course[i].MinAmperes + s.Course[i].MaxAmperes) / 2 })}}}
	if alone {
		volts.Marks = s.marks()
	}
	if s.Model == nil || len(deposit.Curves) == 0 {
		return []report.Panel{charge, volts, amperes}
	}
	return []report.Panel{charge, deposit, volts, amperes}
}

// mostMarks keeps a picture legible.
const mostMarks = 12

// marks are alarms, entries and gaps.
func (s *sheet) marks() []report.Mark {
	var marks []report.Mark
	add := func(from, to int64, name string) {
		x := s.hours(from)
		near := slices.IndexFunc(marks, func(m report.Mark) bool { return math.Abs(m.X-x) < s.hours(s.Account.Run.End)/50 })
		switch {
		case x < 0 || from > s.Account.Run.End:
		case near >= 0:
			marks[near].Name += ", " + name
		case len(marks) < mostMarks:
			marks = append(marks, report.Mark{X: x, To: math.Max(s.hours(to), x), Name: name})
		}
	}
	for _, g := range s.Account.Run.Gaps {
		add(g.From, g.To, "gap")
	}
	for _, a := range s.Account.Run.Alarms {
		add(a.From, a.From, a.Condition)
	}
	for _, e := range s.Account.Run.Entries {
		add(e.At, e.At, e.Kind)
	}
	return marks
}

// byStage is the efficiency as steps between assays, or that of the whole.
func (s *sheet) byStage() report.Panel {
	p := report.Panel{Title: "efficiency", Unit: "%"}
	var steps plotter.XYs
	for _, x := range s.Stages {
		steps = append(steps, plotter.XY{X: s.hours(x.From), Y: 100 * x.Efficiency.Value}, plotter.XY{X: s.hours(x.To), Y: 100 * x.Efficiency.Value})
	}
	end := s.hours(s.Account.Run.End)
	whole := func(y float64) plotter.XYs { return plotter.XYs{{X: 0, Y: 100 * y}, {X: end, Y: 100 * y}} }
	if len(steps) > 0 {
		p.Curves = append(p.Curves, report.Curve{Name: "between assays", Line: steps})
	}
	if s.Efficiency.Known() {
		p.Curves = append(p.Curves, report.Curve{Name: "overall", Line: whole(s.Efficiency.Value)})
	} else if s.Plan != nil {
		p.Curves = append(p.Curves, report.Curve{Name: "planned", Line: whole(s.Plan.Efficiency.Value)})
	}
	return p
}
