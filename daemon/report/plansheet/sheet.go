// Package plansheet lays a plan out as a report: the answer in sentences, the figures in tables, what to be careful of, the
// page for the door and the picture. It words what package plan computes and computes nothing itself.
package plansheet

import (
	"fmt"
	"math"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// Subject is a plan and what is wanted of its sheet.
type Subject struct {
	Plan     *plan.Plan
	Cell     string // its name
	Name     string // among those compared
	Wish     configs.Target
	Density  string // unit of current density, such as "A/dm2"
	Compared []Subject
	Scaled   *plan.Scaled  // nil: not asked for
	Taper    *plan.Tapered // nil: not asked for
}

// sheet is a plan on its way to a report.
type sheet struct {
	*plan.Plan
	Subject
	wish    configs.Target
	density report.Unit
}

func newSheet(s Subject) *sheet {
	return &sheet{Plan: s.Plan, Subject: s, wish: s.Wish, density: densityUnit(s.Density)}
}

// densityUnit is a unit of current density by its symbol; its PerSI is NaN when there is none of that symbol.
func densityUnit(symbol string) report.Unit {
	perSI, err := quantity.In(quantity.CurrentDensity, 1, symbol)
	if err != nil {
		perSI = math.NaN()
	}
	return report.Unit{Symbol: quantity.Printed(symbol), PerSI: perSI, Word: "amperes_per_square_metre", WordPerSI: 1}
}

// Of lays a plan out. The unit of current density must exist.
func Of(s Subject) *report.Report {
	p := newSheet(s)
	r := &report.Report{Title: "Plan: " + p.running(), Name: s.Name}
	add := func(t ...report.Table) { r.Tables = append(r.Tables, t...) }
	add(p.subject(), report.Table{Key: "answer", Lines: p.sentences()}, report.Table{Lines: []string{p.marksLine()}},
		report.Table{Key: "notes", Lines: append(p.assumptions(), p.Bath.Notes...), Bullet: "note: "},
		p.bathTable(), p.othersTable(), p.targetTable(), p.budgetTable())
	if p.Assessed != nil {
		add(p.runTable(), p.platingTable(), p.voltageTable(), p.gasTable(), p.liquidTable(), p.courseTable(), p.heatTable(), p.cathodeTable())
	}
	if p.Bath.MassTransfer.Known() {
		add(p.course())
	}
	if s.Taper != nil {
		add(p.programme(s.Taper))
	}
	if len(s.Compared) > 0 {
		for _, other := range s.Compared {
			r.Compared = append(r.Compared, Of(other))
		}
		add(report.Compare("Side by side", append([]*report.Report{r}, r.Compared...), beside))
	}
	if s.Scaled != nil {
		add(p.scaled(s.Scaled))
	}
	add(report.Table{Key: "cautions", Title: "Cautions", Lines: p.cautions(), Bullet: "  - "}, p.sensitivity(),
		report.Table{Apart: true, Lines: []string{"Marks: m measured, g given, p published, a assumed; a computed figure carries the weakest mark of what went into it. ± is twice the standard uncertainty (k = 2)."}})
	return r
}

// beside are the figures in which plans are compared. A doubt that all of them share hides no difference.
var beside = []report.Beside{
	{Label: "current", Names: []string{"current_amperes"}, Shared: true},
	{Label: "cathode", Names: []string{"cathode_area_square_metres"}, Shared: true},
	{Label: "density", Names: []string{"cathode_current_density_amperes_per_square_metre"}, Shared: true},
	{Label: "charge", Names: []string{"target_charge_coulombs"}, Shared: true},
	{Label: "time", Names: []string{"duration_seconds"}, Shared: true},
	{Label: "deposit", Names: []string{"deposit_grams"}, Shared: true},
	{Label: "efficiency", Names: []string{"overall_efficiency_ratio"}, Shared: true},
	{Label: "at the end", Names: []string{"marginal_efficiency_ratio"}, Shared: true},
	{Label: "i/i_lim at the end", Names: []string{"limiting_current_share_end_ratio"}},
	{Label: "cell", Names: []string{"cell_volts", "expected_volts"}},
	{Label: "energy", Names: []string{"energy_joules"}},
	{Label: "", Names: []string{"specific_energy_joules_per_kilogram"}},
	{Label: "heat", Names: []string{"heat_watts"}},
	{Label: "hydrogen at worst", Names: []string{"hydrogen_worst_case_litres_per_hour"}, Shared: true},
	{Label: "fresh air", Names: []string{"ventilation_cubic_metres_per_hour"}, Shared: true},
}

// subject is what the plan is of; JSON alone has it as words.
func (p *sheet) subject() report.Table {
	b := p.Bath
	stop := b.Metal.Stop(b.Medium)
	tolerance := report.Of("interruption_tolerance", "", b.Metal.Interrupt.Tolerance, report.Seconds, "")
	t := report.Table{Figures: []report.Figure{
		{Key: "cell", Word: p.Subject.Cell}, {Key: "metal", Word: b.Metal.String()}, {Key: "valence", Word: b.Valence},
		{Key: "medium", Word: string(b.Medium)}, {Key: "target_form", Word: p.wish.Form},
		{Key: "safe_state", Word: string(stop.State), Mark: stop.Mark}, {Key: "safe_state_unattended", Word: string(stop.Unattended)},
		{Key: "depletion_visible", Word: b.Metal.Depletion.Visible},
	}}
	if b.Metal.Interrupt.Tolerance.Known() {
		t.Add(tolerance)
	}
	if b.Chloride.Known() {
		t.Add(certain("chloride", "", b.Chloride, report.MolesPerCubicMetre, ""))
	}
	return t
}

// certain is a figure whose doubt JSON tells even if there is none.
func certain(key, label string, f matter.Figure, unit report.Unit, note string) report.Figure {
	shown := report.Of(key, label, f, unit, note)
	if !f.Skewed() {
		shown.Uncertainty = f.StandardUncertainty
	}
	return shown
}

// plain is a number of which nobody knows the doubt.
func plain(key, label string, value float64, unit report.Unit, mark matter.Mark, note string) report.Figure {
	return report.Figure{Key: key, Label: label, Value: value, Uncertainty: math.NaN(), Unit: unit, Mark: mark, Note: note}
}

// rough is a number whose doubt its digits tell alone.
func rough(key, label string, value, doubt float64, unit report.Unit, mark matter.Mark, note string) report.Figure {
	f := plain(key, label, value, unit, mark, note)
	f.Rough = doubt
	return f
}

// said is words in the place of a figure.
func said(label, text string, mark matter.Mark, note string) report.Figure {
	return report.Figure{Label: label, Text: text, Mark: mark, Note: note}
}

// doubted writes a figure in a unit of which there are perSI in the SI unit.
func doubted(f matter.Figure, perSI float64) string {
	if f.Skewed() {
		return quantity.Interval(f.Value*perSI, f.Low*perSI, f.High*perSI)
	}
	return quantity.WithDoubt(f.Value*perSI, integrate.CoverageFactor*f.StandardUncertainty*perSI)
}

// assumptions says what nobody stated and what is taken for it.
func (p *sheet) assumptions() []string {
	var notes []string
	for _, a := range p.Assumed {
		plusMinus := fmt.Sprintf("give or take %.2g %%", 100*a.HalfWidth)
		switch a.What {
		case plan.CathodeArea:
			notes = append(notes, fmt.Sprintf("no cathode area is stated: %s is assumed, %s, for the middle of the usual current density", quantity.Round(quantity.Area, a.Figure.Value, 2), plusMinus))
		case plan.Current:
			notes = append(notes, fmt.Sprintf("no current is stated: %s is assumed, %s, for the middle of the usual current density", quantity.Round(quantity.Current, a.Figure.Value, 2), plusMinus))
		case plan.Assay:
			notes = append(notes, fmt.Sprintf("no assay of %s is stated: 100 %% is assumed, %s", a.Salt, plusMinus))
		}
	}
	if f := p.Fit; f != nil {
		notes = append(notes, fitNote(f, len(p.Order.Assays)))
	}
	if p.SolubleAnode() {
		notes = append(notes, "the anode is of the metal and taken to dissolve: if it does not, say so (soluble_anode = false, --soluble-anode=false), because then gas, floor and bath are others; a deposit, a thickness or a charge is a target, a rest or a marginal energy is none")
	}
	return notes
}

// badFit is the misfit from which on the assays do not belong to one model. Common practice, no source.
const badFit = 2

func fitNote(f *bath.Fit, assays int) string {
	note := fmt.Sprintf("the mass transfer is fitted to %d assays: %s m/s", assays, doubted(f.MassTransfer, 1))
	if f.AtLeast {
		note = fmt.Sprintf("the bath never became poor enough in %d assays to tell the mass transfer: it is at least %.1e m/s, and that is taken", assays, f.MassTransfer.Value)
	}
	if f.Misfit > badFit {
		note += fmt.Sprintf("; the assays scatter %.1f times as much as they should, so the efficiency or the model is off", f.Misfit)
	}
	return note
}
