// Package accountsheet lays the account of a run out as a report: the answer in sentences, the figures in tables, the night
// in pictures. It words what package account works out and reckons nothing itself.
package accountsheet

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/integrate/account"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

type sheet struct {
	*account.Account
	*books.Books
	metal string
}

func newSheet(b *books.Books) *sheet {
	s := &sheet{Account: b.Account, Books: b, metal: "metal"}
	if s.Plan != nil {
		s.metal = strings.ToLower(s.Plan.Metal.Element.Name)
	}
	return s
}

// Of lays an account out.
func Of(b *books.Books) *report.Report {
	s := newSheet(b)
	r := &report.Report{Title: "Account of run " + b.Run + ", cell " + b.Log.Cell, Name: b.Log.Cell + " " + b.Run}
	r.Tables = []report.Table{s.subject(), {Key: "answer", Lines: s.answer()}, s.flowed(), s.masses(), s.pairs(), s.found(), s.stages(), s.balance(), s.loads(), s.tests(),
		{Key: "missing", Title: "What is missing", Lines: s.Missing, Bullet: "  - "}, {Key: "notes", Title: "Notes", Lines: s.notes(), Bullet: "  - "},
		s.budget(), s.costs(), s.entries(), s.alarms(), s.acts(), s.gaps(), s.files(),
		{Apart: true, Lines: []string{"Marks: m measured, g given, p published, a assumed. ± is twice the standard uncertainty (k = 2)."}}, s.pictures()}
	rounded(r.Tables)
	return r
}

// sameDigits are those of a figure that every machine gives alike, whether it fuses a product and a sum or not.
const sameDigits = 10

// rounded leaves the digits out by which machines may differ.
func rounded(tables []report.Table) {
	var all func([]report.Figure)
	round := func(x *float64) {
		if y, err := strconv.ParseFloat(strconv.FormatFloat(*x, 'e', sameDigits-1, 64), 64); err == nil {
			*x = y
		}
	}
	all = func(figures []report.Figure) {
		for i := range figures {
			round(&figures[i].Value)
			round(&figures[i].Uncertainty)
			all(figures[i].Rows)
		}
	}
	for _, t := range tables {
		all(t.Figures)
		if t.Grid != nil {
			for _, row := range t.Grid.Rows {
				all(row.Cells)
				all(row.More)
			}
		}
	}
}

func word(key, text string) report.Figure { return report.Figure{Key: key, Word: text} }

func plain(key, label string, v float64, u report.Unit) report.Figure {
	return report.Figure{Key: key, Label: label, Value: v, Uncertainty: math.NaN(), Unit: u}
}

func utc(nanos int64) string { return time.Unix(0, nanos).UTC().Format("2006-01-02 15:04:05") }

func stamp(key string, nanos int64) report.Figure {
	return report.Figure{Key: key, Text: utc(nanos), Word: time.Unix(0, nanos).UTC().Format(time.RFC3339Nano)}
}

func (s *sheet) subject() report.Table {
	figures := []report.Figure{word("run", s.Books.Run), word("cell", s.Log.Cell), stamp("begun_utc", s.Account.Run.Begin), stamp("last_reading_utc", s.Account.Run.End),
		{Key: "ended", Word: s.Ended}, {Key: "sound", Word: s.Sound()}}
	if s.Plan != nil {
		figures = append(figures, word("metal", s.Plan.Metal.String()))
	}
	return report.Table{Figures: figures}
}

// answer is what somebody asks first.
func (s *sheet) answer() []string {
	lines := []string{fmt.Sprintf("Run %s of cell %s, begun %s UTC, lasted %s.", s.Books.Run, s.Log.Cell, utc(s.Account.Run.Begin), quantity.Lasting(s.Totals.Elapsed.Seconds(), 0))}
	if !s.Ended {
		lines = append(lines, "The run is still open: these are its figures so far, not its account.")
	}
	if !s.Sound() {
		lines = append(lines, "The log or the late entries are damaged: nightcell verify says where. What follows uses what is left.")
	}
	charge := report.Show(matter.Figure{Value: s.Totals.Charge, StandardUncertainty: s.Totals.StandardUncertainty}, report.AmpereHours)
	switch {
	case s.Efficiency.Known():
		lines = append(lines, fmt.Sprintf("%s of %s from %s: current efficiency %s%s, %s.", report.Show(s.Deposit, report.Grams), s.metal, charge, report.Show(s.Efficiency, report.Percent), s.byAssays(), report.Show(s.EnergyPerMass, report.EnergyPerGram)))
	case s.Deposit.Known():
		lines = append(lines, fmt.Sprintf("%s passed; by the plan alone that is %s of %s, which nobody has weighed or assayed.", charge, report.Show(s.Deposit, report.Grams), s.metal))
	default:
		lines = append(lines, charge+" passed.")
	}
	return lines
}

// byAssays says that the efficiency is not that of the deposit beside it, in which the plan has a share.
func (s *sheet) byAssays() string {
	if s.Masses[0].Deposit.Known() {
		return ""
	}
	return " by the assays alone"
}

func (s *sheet) flowed() report.Table {
	t, r := s.Totals, s.Account.Run
	charge := report.Of("charge", "charge", matter.Figure{Value: t.Charge, StandardUncertainty: t.StandardUncertainty, Mark: matter.Measured}, report.AmpereHours, "")
	charge.Rows = []report.Figure{{Key: "charge_between", Value: t.Charge, Uncertainty: math.NaN(), Limits: &report.Limits{Low: t.Low(), High: t.High()}, Unit: report.AmpereHours}}
	if t.Gaps > 0 {
		charge.Note = fmt.Sprintf("of it %.4g to %.4g A·h in gaps", t.GapLow/3600, t.GapHigh/3600)
	}
	table := report.Table{Title: "Charge and energy", Figures: []report.Figure{charge}}
	if t.MeterCharge != 0 {
		by := func(key, label string, coulombs, u float64, when string) {
			table.Add(report.Of(key, label, matter.Figure{Value: coulombs, StandardUncertainty: u, Mark: matter.Measured}, report.AmpereHours,
				fmt.Sprintf("%.3g %% of what was observed%s", 100*coulombs/t.ObservedCharge, when)))
		}
		by("charge_by_meter", "by the meter", t.MeterCharge, t.Budget.Meter, "")
		by("charge_by_supply", "by the supply", t.ObservedCharge-t.MeterCharge, t.Budget.Supply(), ", while the meter was silent")
	}
	if l := t.Leads; l.Readings > 0 {
		table.Known("lead_resistance", "leads", matter.Figure{Value: l.Ohms, StandardUncertainty: l.StandardUncertainty, Mark: matter.Measured}, report.Ohms,
			"volts at the supply less those at the cell, over the current; lead_resistance in [electrodes] takes it into the next plan")
	}
	table.Known("energy", "energy", s.Energy, report.KilowattHours, "")
	table.Known("mean_voltage", "mean voltage", s.MeanVolts, report.Volts, "energy over charge")
	table.Known("mean_current", "mean current", s.MeanAmperes, report.Amperes, "while the output was on")
	table.Known("current_density", "current density", s.Density, report.AmperesPerDecimetre, "")
	table.Known("resistance", "resistance", s.Resistance, report.Ohms, s.Resistance.Source)
	dark := (t.Elapsed - t.Observed).Seconds()
	for _, x := range []struct {
		key, label string
		seconds    float64
	}{{"time_on", "time on", r.On}, {"time_off", "time off", r.Off}, {"time_in_gaps", "time in gaps", dark}} {
		f := plain(x.key, x.label, x.seconds, report.Hours)
		f.Text = quantity.Lasting(x.seconds, 0)
		if f.Mark = matter.Measured; x.seconds == 0 {
			f.Label = ""
		}
		table.Add(f)
	}
	return table
}

// masses sets the three ways side by side, each held against those before it.
func (s *sheet) masses() report.Table {
	t := report.Table{Key: "masses", Title: "Deposit mass, three ways", List: true}
	for _, m := range s.Masses {
		f := report.Of("deposit", m.Name, m.Deposit, report.Grams, m.Deposit.Source)
		if !m.Deposit.Known() {
			f.Key, f.Text = "", "-"
		}
		for _, p := range s.Pairs {
			if p.Against == m.Name {
				f.Note += fmt.Sprintf("; E_n %.2f to %s", -p.NormalizedError, p.Of)
			}
		}
		f.Rows = []report.Figure{word("way", m.Name)}
		t.Add(f)
	}
	return t
}

// pairs are the normalized errors, for JSON.
func (s *sheet) pairs() report.Table {
	t := report.Table{Key: "agreement", List: true}
	for _, p := range s.Pairs {
		f := plain("normalized_error_ratio", "", p.NormalizedError, report.One)
		f.Rows = []report.Figure{word("of", p.Of), word("against", p.Against), {Key: "agree", Word: math.Abs(p.NormalizedError) <= 1}}
		t.Add(f)
	}
	return t
}

// badFit is the misfit from which on the assays do not belong to one model. Common practice, no source.
const badFit = 2

// found are the key figures.
func (s *sheet) found() report.Table {
	t := report.Table{Title: "Result"}
	note := s.Deposit.Source
	if c := s.Combined; c.Count > 1 {
		chance := "below 0.1 %"
		if c.Chance >= 1e-3 {
			chance = fmt.Sprintf("%.2g %%", 100*c.Chance)
		}
		note = fmt.Sprintf("%s; χ² %.2f over %d, chance %s", note, c.ChiSquared, c.Count-1, chance)
		if !c.Consistent() {
			note += ": they do not agree, so that no mean is taken"
		}
		t.Add(plain("chi_squared_ratio", "", c.ChiSquared, report.One))
		t.Add(report.Figure{Key: "consistent", Word: c.Consistent()})
	}
	t.Known("deposit", "deposit", s.Deposit, report.Grams, note)
	t.Known("current_efficiency", "current efficiency", s.Efficiency, report.Percent, strings.TrimSpace(s.byAssays()))
	t.Known("marginal_efficiency", "marginal efficiency", s.Marginal, report.Percent, s.Marginal.Source)
	energyBy := ""
	if !s.Efficiency.Known() {
		energyBy = "by the plan's efficiency, not weighed"
	}
	t.Known("specific_energy", "energy", s.EnergyPerMass, report.EnergyPerGram, energyBy)
	cost, note := report.MoneyPerGram, ""
	if cost.Symbol = strings.TrimSpace(s.Currency + " " + cost.Symbol); s.Currency == "" {
		note = "in the currency of price_per_kwh"
	}
	t.Known("specific_cost", "cost", s.CostPerMass, cost, note)
	if f := s.Fit; f != nil {
		transfer := f.MassTransfer
		note := transfer.Source
		if f.AtLeast {
			note = "at least: the bath was never depleted enough to show it"
		}
		if f.Misfit > badFit {
			note += fmt.Sprintf("; the assays scatter %.1f times as much as expected: the efficiency or the model is wrong", f.Misfit)
		}
		t.Known("mass_transfer", "mass transfer", transfer, report.MetresPerSecond, note)
		if f.Efficiency.Mark == matter.Measured {
			t.Known("starting_efficiency", "starting efficiency", f.Efficiency, report.Percent, f.Efficiency.Source)
		}
	}
	return t
}

func (s *sheet) stages() report.Table {
	t := report.Table{Key: "stages", Title: "Between assays", Grid: &report.Grid{Head: []string{"until", "A·h", "g", "efficiency"}}}
	for _, x := range s.Stages {
		eff := report.Of("current_efficiency", "", x.Efficiency, report.Percent, "")
		eff.Text = report.Show(x.Efficiency, report.Percent)
		t.Grid.Rows = append(t.Grid.Rows, report.GridRow{Cells: []report.Figure{stamp("to_utc", x.To), plain("charge", "", x.Coulombs, report.AmpereHours), report.Of("won", "", x.Won, report.Grams, ""), eff},
			More: []report.Figure{stamp("from_utc", x.From)}})
	}
	return ifAny(t)
}

// ifAny is the table without its title where it has no rows.
func ifAny(t report.Table) report.Table {
	if len(t.Grid.Rows) == 0 {
		return report.Table{}
	}
	return t
}

func (s *sheet) balance() report.Table {
	t := report.Table{Key: "balance", Title: "Metal balance"}
	if b := s.Balance; b != nil {
		t.Known("supplied", "supplied", b.Supplied, report.Grams, "")
		t.Known("deposit", "on the cathode", b.Deposit, report.Grams, "")
		t.Known("anode", "on the anode", b.Anode, report.Grams, b.Anode.Source)
		crossed, up := "", "" // of which nothing is the likeliest has no row
		if b.Crossed.Value > 0 {
			crossed = "through the separator"
		} else if b.Crossed.High > 0 {
			up = fmt.Sprintf("; up to %s g crossed", quantity.Digits(b.Crossed.High*1e3, b.Crossed.High*1e2))
		}
		left := b.Left.Source
		if !b.Unaccounted.Known() {
			left += up
		}
		t.Known("crossed", crossed, b.Crossed, report.Grams, b.Crossed.Source)
		if b.Samples.Value > 0 {
			t.Known("samples", "in samples", b.Samples, report.Grams, b.Samples.Source)
		}
		t.Known("left", "left in the bath", b.Left, report.Grams, left)
		t.Known("unaccounted", "unaccounted", b.Unaccounted, report.Grams, b.Unaccounted.Source+up)
	}
	return t
}

func (s *sheet) loads() report.Table {
	t := report.Table{Title: "Gas, acid and water"}
	a := s.Loads
	if a == nil {
		return t
	}
	for _, g := range a.Gas {
		if g.Total.Known() && !g.Possible {
			t.Known(g.Gas.String(), g.Gas.String(), g.Total, report.LitresOfGas, g.Total.Source)
		}
	}
	if a.Conditions.Separator == electrolysis.NoSeparator {
		t.Known("acid", "acid, net", a.Acid.Bath, report.Moles, "H⁺")
	} else {
		catholyte := report.Of("catholyte_acid", "", a.Acid.Catholyte.Times(-1), report.Moles, "")
		anolyte := report.Of("acid", "acid in the anolyte", a.Acid.Anolyte, report.Moles, "H⁺; in the catholyte "+catholyte.String())
		anolyte.Rows = []report.Figure{catholyte}
		t.Add(anolyte)
	}
	t.Known("water_split", "water split", a.Water.Split, report.Grams, "")
	return t
}

func (s *sheet) tests() report.Table {
	t := report.Table{Key: "identity", List: true, Title: "Identity of the deposit"}
	for _, x := range s.Tests {
		f := report.Figure{Key: "words", Label: "test of " + utc(x.At), Word: x.Words, Note: x.Problem}
		if x.Share.Known() {
			f = report.Of("share", "test of "+utc(x.At), x.Share, report.Percent, strings.TrimSuffix(fmt.Sprintf("%s; E_n %.2f against pure %s; %s", x.Share.Source, x.NormalizedError, s.metal, x.Words), "; "))
			f.Rows = []report.Figure{plain("normalized_error_ratio", "", x.NormalizedError, report.One), word("words", x.Words)}
			if x.Hydrogen.Known() {
				f.Rows = append(f.Rows, report.Of("hydrogen", "", x.Hydrogen, report.Moles, ""))
			}
		}
		t.Add(f)
	}
	return t
}

// notes are the account's, and what happened in a line for the screen.
func (s *sheet) notes() []string {
	notes := s.Account.Notes
	if n := len(s.Account.Run.Alarms); n > 0 {
		var names []string
		for _, a := range s.Account.Run.Alarms[:min(n, 5)] {
			names = append(names, a.Condition)
		}
		notes = append([]string{fmt.Sprintf("%d alarms: %s%s; the page lists them with what was done", n, strings.Join(names, ", "), map[bool]string{true: ", …"}[n > 5])}, notes...)
	}
	return notes
}
