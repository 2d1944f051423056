// Package plansheet lays a plan out as a report: the answer in sentences, the figures in tables, what to be careful of, the
// page for the door and the picture. It words what package plan computes and computes nothing itself.
package plansheet

import (
	"bytes"
	"fmt"
	"math"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/integrate"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// Subject is a plan and what is wanted of its sheet.
type Subject struct {
	Plan     *plan.Plan
	Cell     string   // its name
	Left     string   // what the ledger of the bath says is left in it; empty: the bath is as stated
	Before   []string // what is to be done before the run, by the ledgers
	Name     string   // among those compared
	Wish     configs.Target
	Width    int // columns of the text; 0: 100
	Compared []Subject
	Taper    *plan.Tapered // nil: not asked for
	Lesson   *books.Lesson // that the plan follows; nil: earlier runs were not asked
}

// sheet is a plan on its way to a report.
type sheet struct {
	*plan.Plan
	Subject
}

func newSheet(s Subject) *sheet { return &sheet{Plan: s.Plan, Subject: s} }

// Of lays a plan out.
func Of(s Subject) *report.Report {
	p := newSheet(s)
	r := &report.Report{Title: "Plan: " + p.running(), Name: s.Name, Width: s.Width, Further: []string{
		"m measured, g given, p published, a assumed; ± k = 2. All and sources: --full."}}
	var rest []report.Table
	all := func(t ...report.Table) {
		for _, t := range t {
			t.Rest = true
			rest = append(rest, t)
		}
	}
	all(report.Table{Key: "cautions", Title: "Precautions", Lines: p.cautions(), Bullet: "  - "}, p.bathTable(), p.othersTable(), p.targetTable(), p.budgetTable())
	if p.Assessed != nil {
		all(p.runTable(), p.platingTable(), p.voltageTable(), p.gasTable(), p.liquidTable(), p.courseTable(), p.heatTable(), p.cathodeTable())
	}
	if p.Bath.MassTransfer.Known() {
		all(p.course())
	}
	all(report.Table{Apart: true, Lines: []string{"m measured, g given, p published, a assumed: a computed figure carries the weakest mark of what it rests on. ± is twice the standard uncertainty (k = 2)."}})
	r.Tables = append([]report.Table{p.subject(), {Key: "answer", Lines: p.answer()}}, rest...)
	decisive := p.decisive(r)
	asked := p.asked(r)
	r.Tables = append(r.Tables[:2:2],
		report.Table{Key: "cautions", Title: "Dangers", Lines: p.dangers(), Bullet: "  - "},
		report.Table{Key: "answer", Title: "What to do", Lines: p.steps(), Bullet: "  - "})
	r.Tables = append(append(p.noted(r, decisive), asked...), rest...)
	return r
}

// screen is how many lines are read at once.
const screen = 40

// noted adds to the first screen what decides it and the notes, of both as much as it has room for; the other notes stand behind it.
func (p *sheet) noted(first *report.Report, decisive report.Table) []report.Table {
	notes := append(p.Bath.Notes[:len(p.Bath.Notes):len(p.Bath.Notes)], p.assumptions()...)
	for shown := len(notes); ; {
		tables := append(first.Tables[:len(first.Tables):len(first.Tables)], decisive, report.Table{Key: "notes", Lines: notes[:shown], Bullet: "  - "},
			report.Table{Key: "notes", Title: "Further notes", Lines: notes[shown:], Bullet: "  - ", Rest: true})
		var text bytes.Buffer
		trial := report.Report{Tables: tables, Brief: true, Width: first.Width, Further: first.Further}
		err := trial.Text(&text)
		switch last := len(decisive.Figures) - 1; {
		case err != nil || bytes.Count(text.Bytes(), []byte("\n")) <= screen || shown == 0 && last < 0:
			return tables
		case shown > 0:
			shown--
		default:
			decisive.Figures = decisive.Figures[:last]
		}
	}
}

// asked are the tables that somebody asked for besides the plan.
func (p *sheet) asked(r *report.Report) []report.Table {
	var tables []report.Table
	if p.Lesson != nil {
		tables = append(tables, Learned(*p.Lesson))
	}
	if p.Subject.Taper != nil {
		tables = append(tables, p.programme(p.Subject.Taper))
	}
	for _, other := range p.Compared {
		r.Compared = append(r.Compared, Of(other))
	}
	if len(r.Compared) > 0 {
		tables = append(tables, report.Compare("Side by side", append([]*report.Report{r}, r.Compared...), beside))
	}
	return tables
}

// What the first screen shows of the tables behind it, with its note where that is short.
var decides = []struct {
	label string
	names []string
	noted bool
}{
	{"current efficiency", []string{"efficiency_ratio"}, false},
	{"efficiency of whole charge", []string{"overall_efficiency_ratio"}, false},
	{"efficiency at the end pH", []string{"efficiency_at_end_ph_ratio"}, false},
	{"hydrogen margin at the end", []string{"plating_margin_at_end_volts", "plating_margin_volts"}, false},
	{"pH at the end", []string{"ph_at_end"}, false},
	{"bath temperature", []string{"bath_temperature_kelvins"}, false},
	{"current density", []string{"cathode_current_density_amperes_per_square_metre"}, true},
	{"i/i_lim at the end", []string{"limiting_current_share_end_ratio"}, false},
	{"cell voltage", []string{"cell_volts", "expected_volts"}, false},
	{"energy", []string{"energy_joules"}, false},
}

// decisive is what the answer hangs on.
func (p *sheet) decisive(r *report.Report) report.Table {
	t := report.Table{Title: "What decides it"}
	g := p.Bath.Goal
	var from []string
	for _, s := range g.Budget {
		if share := s.Amount / g.Charge.StandardUncertainty; share*share > leastShare && len(from) < 2 {
			from = append(from, fmt.Sprintf("%s %.0f %%", s.Source, 100*share*share))
		}
	}
	if from != nil {
		t.Add(said("uncertainty of the charge", strings.Join(from, ", "), g.Charge.Mark, ""))
	}
	for _, ask := range decides {
		if f := r.Find(ask.names...); f != nil && (p.Fades() || ask.names[0] != "overall_efficiency_ratio") {
			shown := *f
			shown.Key, shown.Label, shown.Rows = "", ask.label, nil
			switch {
			case ask.names[0] == "bath_temperature_kelvins":
				shown.Note = p.temperatureNote()
			case !ask.noted:
				shown.Note = ""
			}
			t.Add(shown)
		}
	}
	return t
}

// temperatureNote says which temperature the figures are for, and where the bath settles if nobody holds it.
func (p *sheet) temperatureNote() string {
	h, t := p.Assessed.Heat, p.Assessed.Conditions.Temperature
	switch {
	case t.Mark == matter.Assumed:
		return "by its own heat; figures for it"
	case h.Boils:
		return "figures for it; boils by itself"
	}
	return fmt.Sprintf("figures for it; levels off at %s °C", quantity.Digits(h.Steady.Value-matter.ZeroCelsius, h.Steady.StandardUncertainty))
}

// leastShare is the share of the variance from which on a source of doubt is worth a word at once.
const leastShare = 0.05

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
	{Label: "hydrogen, worst case", Names: []string{"hydrogen_worst_case_litres_per_hour"}, Shared: true},
	{Label: "fresh air", Names: []string{"ventilation_cubic_metres_per_hour"}, Shared: true},
}

// subject is what the plan is of; JSON alone has it as words.
func (p *sheet) subject() report.Table {
	b := p.Bath
	stop := b.Metal.Stop(b.Medium)
	t := report.Table{Figures: []report.Figure{
		{Key: "cell", Word: p.Subject.Cell}, {Key: "metal", Word: b.Metal.String()}, {Key: "valence", Word: b.Valence},
		{Key: "medium", Word: string(b.Medium)}, {Key: "target_form", Word: p.Wish.Form},
		{Key: "safe_state", Word: string(stop.State), Mark: stop.Mark}, {Key: "safe_state_unattended", Word: string(stop.Unattended)},
		{Key: "depletion_visible", Word: b.Metal.Depletion.Visible},
	}}
	t.Known("interruption_tolerance", "", b.Metal.Interrupt.Tolerance, report.Seconds, "")
	certain(&t, "chloride", "", b.Chloride, report.MolesPerCubicMetre, "")
	return t
}

// certain adds a figure, if there is one, whose doubt JSON tells even if there is none.
func certain(t *report.Table, key, label string, f matter.Figure, unit report.Unit, note string) {
	if t.Known(key, label, f, unit, note); f.Known() && !f.Skewed() {
		t.Figures[len(t.Figures)-1].Uncertainty = f.StandardUncertainty
	}
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
		plusMinus := fmt.Sprintf("± %.2g %%", 100*a.HalfWidth)
		switch a.What {
		case plan.CathodeArea:
			notes = append(notes, fmt.Sprintf("No cathode area is stated: %s %s is assumed, for the middle of the usual current density.", quantity.Round(quantity.Area, a.Figure.Value, 2), plusMinus))
		case plan.Current:
			notes = append(notes, fmt.Sprintf("No current is stated: %s %s is assumed, for the middle of the usual current density.", quantity.Round(quantity.Current, a.Figure.Value, 2), plusMinus))
		case plan.Assay:
			notes = append(notes, fmt.Sprintf("No assay of %s is stated: 100 %% is assumed, %s.", a.Salt, plusMinus))
		}
	}
	if p.SolubleAnode() {
		notes = append(notes, "The anode is of the metal and is taken to dissolve. If it does not, state soluble_anode = false (--soluble-anode=false): gas, voltage and bath then differ. With a soluble anode only a deposit, a thickness or a charge can be a target.")
	}
	return notes
}
