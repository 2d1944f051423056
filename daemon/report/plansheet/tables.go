package plansheet

import (
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

func (p *sheet) bathTable() report.Table {
	b := p.Bath
	t := report.Table{Title: "Bath"}
	t.Add(said("metal", fmt.Sprintf("%s, %s, %s", b.Metal.Element.Name, quantity.Count(b.Valence, "electron"), b.Medium), matter.Unmarked, b.Couple.Reaction))
	for _, salt := range p.Order.Bath.Contents.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			continue // the plan has parsed it
		}
		molar, molarDoubt := f.MolarMass()
		if f.Count(b.Metal.String()) == 0 && len(matter.WinnableIn(f)) > 0 {
			continue // among the other metals
		}
		if f.Count(b.Metal.String()) == 0 {
			t.Add(said(f.String(), "supporting", matter.Unmarked, "holds no "+p.metalName()))
			continue
		}
		share, u := f.MassFraction(b.Metal.String())
		t.Add(said(f.String(), fmt.Sprintf("%s %% %s", quantity.Digits(share*100, u*100), b.Metal), matter.Published, fmt.Sprintf("%s g/mol, CIAAW 2021", quantity.Digits(molar*1e3, molarDoubt*1e3))))
	}
	certain(&t, "metal_in_bath", "metal in it", b.Amount, report.Grams, "")
	certain(&t, "bath_volume", "volume", b.Volume, report.Litres, "")
	concentration := p.Concentration()
	t.Known("metal_concentration", "concentration", concentration, report.GramsPerLitre, usualNote(concentration.Value, p.Window().Concentration, report.GramsPerLitre, " g/L", ""))
	perMass := p.PerMass()
	const leastDoubt = 2e-5 // A·h/g, of the last digit that tables of weights print
	f := report.Of("charge_per_metal", "charge per gram", perMass, report.AmpereHoursPerGram, "at 100 %, from CIAAW and CODATA")
	f.Uncertainty, f.Rough = math.NaN(), math.Max(perMass.StandardUncertainty, leastDoubt/report.AmpereHoursPerGram.PerSI)
	t.Add(f)
	return t
}

// usualNote writes a usual range with its source, and where value lies outside of it; else what is said where the table has no range.
func usualNote(value float64, r matter.Range, unit report.Unit, symbol, without string) string {
	if !r.Known() {
		return without
	}
	note := fmt.Sprintf("usual %s%s %s", usual(r, unit), symbol, report.Cite(r.Source))
	switch {
	case value < r.Low*(1-1e-9) && r.Low > 0 || value < r.Low-1e-9:
		return "below the " + note
	case value > r.High+1e-9*math.Abs(r.High):
		return "above the " + note
	}
	return note
}

// longest is the length up to which what is taken for a figure is said beside it; a longer text, or a source, gets a number.
const longest = 40

// by adds to a note where its figure comes from.
func by(note, source string) string {
	switch {
	case source == "":
		return note
	case len(source) > longest || source == practice:
		return note + " " + report.Cite(source)
	case note == "":
		return source
	}
	return note + ": " + source
}

func usual(r matter.Range, unit report.Unit) string {
	return quantity.Span(r.Low*unit.PerSI+unit.Shift, r.High*unit.PerSI+unit.Shift)
}

// othersTable shows what else in the bath may plate.
func (p *sheet) othersTable() report.Table {
	t := report.Table{Key: "other_metals", List: true, Title: "Other metals in the bath, not in the planned charge"}
	for _, o := range p.Bath.Others {
		note := fmt.Sprintf("%s A·h more at 100 %% for all of it", quantity.Digits(o.Charge.Value*inAmpereHours, o.Charge.StandardUncertainty*inAmpereHours))
		f := report.Of("mass", o.Metal.Element.Name, o.Amount, report.Grams, note)
		f.Rows = []report.Figure{{Key: "metal", Word: o.Metal.String()}, report.Of("charge_at_full_efficiency", "", o.Charge, report.AmpereHours, "")}
		if potential, by, ok := p.Nobler(o); ok {
			f.Note = p.noblerText(o, by) + "; " + note
			f.Rows = append(f.Rows, plain("potential", "", potential, report.Volts, o.Amount.Mark, ""), plain("nobler_by", "", by, report.Volts, o.Amount.Mark, ""))
		}
		t.Add(f)
	}
	return t
}

func (p *sheet) targetTable() report.Table {
	g := p.Bath.Goal
	t := report.Table{Title: "Target: " + p.targetText()}
	certain(&t, "target_charge", "charge to pass", g.Charge, report.AmpereHours, "")
	t.Figures[0].Limits = &report.Limits{Low: g.Low, High: g.High}
	t.Known("theoretical_charge", "in theory", g.Theoretical, report.AmpereHours, "at 100 % current efficiency")
	if g.Duration.Known() {
		note := ""
		if p.heldVolts().Duration.Known() {
			note = "at the first current"
		}
		certain(&t, "duration", "time", g.Duration, report.Hours, note)
		t.Figures[len(t.Figures)-1].Text = report.Lasting(g.Duration)
	}
	certain(&t, "deposit", "deposit", g.Deposit, report.Grams, "for that charge")
	recovered := "recovered"
	if p.SolubleAnode() {
		recovered = "" // the anode gives it back
	}
	certain(&t, "recovered", recovered, g.Recovered, report.Percent, "")
	if g.Left.Known() {
		t.Add(p.anodeLoss())
		t.Add(p.crossed())
		certain(&t, "remaining_concentration", "left in the bath", g.Left, report.GramsPerLitre, "")
	}
	t.Known("bath_load", "charge per litre", p.Load(), report.AmpereHoursPerLitre, "additives are dosed by it")
	certain(&t, "efficiency", "current efficiency", p.Bath.Efficiency, report.Percent, by("", p.Bath.Efficiency.Source))
	mark, doubt := g.Charge.Mark, p.Bath.Efficiency.StandardUncertainty
	both := report.Figure{Rows: []report.Figure{rough("overall_efficiency", "", g.Overall, doubt, report.Percent, mark, ""), rough("marginal_efficiency", "", g.Marginal, doubt, report.Percent, mark, "")}}
	if !p.Bath.MassTransfer.Known() {
		t.Add(both)
		return t
	}
	certain(&t, "mass_transfer", "mass transfer", p.Bath.MassTransfer, report.MetresPerSecond, by("", p.Bath.MassTransfer.Source))
	t.Add(rough("critical_concentration", "efficiency falls from", g.Critical, p.loadDoubt(g.Critical), report.GramsPerLitre, mark, "below it less metal reaches the cathode than the current could deposit"))
	both.Label, both.Mark, both.Note = "overall, marginal", mark, "of the whole charge, and at its end"
	both.Text = fmt.Sprintf("%s %%, %s %%", quantity.Digits(g.Overall*100, doubt*100), quantity.Digits(g.Marginal*100, doubt*100))
	t.Add(both)
	q := bath.QualityAt(g.RatioEnd)
	end := rough("limiting_current_share_end", "", g.RatioEnd, p.loadDoubt(g.RatioEnd), report.Share, mark, "")
	end.Short = p.loadText(g.RatioEnd) + " " + q.Word
	t.Add(report.Figure{Label: "i/i_lim", Text: fmt.Sprintf("%s to %s", p.loadText(g.RatioBegin), p.loadText(g.RatioEnd)), Mark: mark,
		Note: fmt.Sprintf("begins %s, ends in %s", bath.QualityAt(g.RatioBegin).Word, q.Text),
		Rows: []report.Figure{plain("limiting_current_share_begin", "", g.RatioBegin, report.Share, mark, ""), end, {Key: "deposit_quality_end", Word: q.Word}}})
	return t
}

// givenBack is the metal that a soluble anode gives, in g.
func (p *sheet) givenBack() string {
	a := p.Bath.Goal.Anode
	return quantity.Interval(-a.Value*1e3, -a.High*1e3, -a.Low*1e3)
}

// anodeLoss is the metal that the anode takes; JSON alone has it where it takes none, and below zero where it gives some back.
func (p *sheet) anodeLoss() report.Figure {
	g, a := p.Bath.Goal, p.Bath.Anode
	f := report.Of("anode_loss", "", g.Anode, report.Grams, "")
	f.Limits = &report.Limits{Low: g.Anode.Low, High: g.Anode.High}
	share := quantity.Span(100*a.Share.Low, 100*a.Share.High) + " % of its charge " + report.Cite(a.Share.Source)
	switch {
	case a.Soluble:
		f.Label, f.Text, f.Note = "returned", p.givenBack()+" g", "by the anode, for "+share
	case g.Anode.Value > 0:
		f.Label, f.Note = "lost to the anode", "as "+a.Oxide.Formula+", for "+share
		if !a.Stated {
			f.Note += ": weigh anode and sludge, or state --anode-loss"
		}
	}
	return f
}

// crossed is the metal that gets through the separator; JSON alone has it where there is none.
func (p *sheet) crossed() report.Figure {
	g, r := p.Bath.Goal.Crossed, p.Order.Bath.Contents.Crossing
	f := report.Of("crossed", "", g, report.Grams, "")
	f.Limits = &report.Limits{Low: g.Low, High: g.High}
	if g.High > 0 {
		f.Label, f.Note = "through the separator", quantity.Span(100*r.Low, 100*r.High)+" % of the current: assay the anolyte "+report.Cite(r.Source)
	}
	return f
}

func (p *sheet) budgetTable() report.Table {
	t := report.Table{Key: "budget", List: true, Title: "Uncertainty budget of the charge (standard uncertainty, share of the variance)"}
	u := p.Bath.Goal.Charge.StandardUncertainty
	for _, s := range p.Bath.Goal.Budget {
		f := rough("standard_uncertainty", s.Source, s.Amount, s.Amount, report.AmpereHours, s.Mark, fmt.Sprintf("%.0f %%", 100*s.Amount*s.Amount/(u*u)))
		f.Rows = []report.Figure{{Key: "source", Word: s.Source}}
		t.Add(f)
	}
	return t
}

func (p *sheet) runTable() report.Table {
	a, window := p.Assessed, p.Window()
	c := a.Conditions
	t := report.Table{Title: "Run"}
	t.Known("current", "current", c.Current, report.Amperes, "")
	t.Known("cathode_area", "cathode area", c.CathodeArea, report.SquareCentimetres, "both faces, if both face an anode")
	t.Known("cathode_current_density", "at the cathode", a.CathodeDensity, report.AmperesPerDecimetre,
		usualNote(a.CathodeDensity.Value, window.CurrentDensity, report.AmperesPerDecimetre, "", "no usual window in the table"))
	t.Known("anode_current_density", "at the anode", a.AnodeDensity, report.AmperesPerDecimetre, c.AnodeArea.Source)
	growth, thick := p.Growth(), p.Thickness()
	t.Add(rough("growth", "growth", growth.Value, growth.StandardUncertainty, report.MicrometresPerHour, growth.Mark, "if solid; dendrites grow tens of times faster"))
	t.Add(rough("deposit_thickness", "thickness at the end", thick.Value, thick.StandardUncertainty, report.Millimetres, thick.Mark, "if solid and even; edges and dendrites grow thicker"))
	t.Known("bath_temperature", "temperature", c.Temperature, report.Celsius, by(usualNote(c.Temperature.Value, window.Temperature, report.Celsius, "", ""), c.Temperature.Source))
	t.Known("ph", "pH", c.PH, report.One, usualNote(c.PH.Value, window.PH, report.One, "", c.PH.Source))
	return t
}

func (p *sheet) platingTable() report.Table {
	pl := p.Assessed.Plating
	t := report.Table{Title: "Potentials and overpotentials, against the standard hydrogen electrode"}
	t.Known("metal_potential", "metal, at the start", pl.Metal, report.Volts, by("", pl.Metal.Source))
	t.Known("metal_potential_at_end", "metal, at the end", pl.MetalAtEnd, report.Volts, "")
	t.Known("hydrogen_potential", "hydrogen", pl.Hydrogen, report.Volts, by("", pl.Hydrogen.Source))
	t.Known("", "difference", pl.Gap, report.Volts, "hydrogen less metal")
	t.Known("hydrogen_overpotential", "overpotential", pl.Overpotential, report.Volts, by("of hydrogen on the deposit at this current density", pl.Overpotential.Source))
	t.Known("plating_margin", "margin", pl.Margin, report.Volts, "overpotential less difference: a bound, because the kinetics decide")
	t.Known("hydrogen_potential_at_end", "hydrogen, at the end", pl.HydrogenAtEnd, report.Volts, "at the pH of the end")
	t.Known("plating_margin_at_end", "margin, at the end", pl.MarginAtEnd, report.Volts, "")
	t.Known("efficiency_at_end_ph", "efficiency, at the end", pl.EfficiencyAtEnd, report.Percent, by("at the pH of the end", pl.EfficiencyAtEnd.Source))
	t.Known("hydroxide_ph", "hydroxide from pH", pl.HydroxidePH, report.One, by("", pl.HydroxidePH.Source))
	return t
}

func (p *sheet) voltageTable() report.Table {
	a := p.Assessed
	t := report.Table{Title: "Cell voltage"}
	floor := rough("floor", "reversible minimum", a.Floor.Metal, floorDoubt, report.Volts, a.Floor.Mark,
		"with the easiest anode reaction, "+a.Floor.Reaction+"; current flowing below about 85 % of it means a short or another anode reaction")
	if p.SolubleAnode() {
		floor.Label = ""
		t.Add(said("reversible minimum", "0 V", matter.Published, "the anode dissolves"))
	}
	t.Add(floor)
	t.Add(plain("reversible_expected", "", a.Floor.Expected, report.Volts, a.Floor.Mark, ""))
	for _, part := range a.Parts {
		t.Add(report.Of("", part.Name, part.Figure, report.Volts, part.Source))
	}
	if v := a.Conditions.CellVolts; v.Known() {
		f := report.Of("cell", "stated at the cell", v, report.Volts, "used for energy and heat")
		f.Short = quantity.Digits(v.Value, v.StandardUncertainty) + " stated"
		t.Add(f)
	}
	expected := report.Of("expected", "expected at the supply", a.Voltage, report.Volts, "a range; the cell's own runs narrow it")
	expected.Short = quantity.Digits(a.Voltage.Value, (a.Voltage.High-a.Voltage.Low)/2) + " expected"
	t.Add(expected)
	if w := p.Window(); w.CellVoltage.Known() && !p.SolubleAnode() { // usual with an insoluble one
		t.Add(said("usual in the trade", usual(w.CellVoltage, report.Volts)+" V", w.CellVoltage.Mark, report.Cite(w.CellVoltage.Source)))
	}
	for _, r := range a.Anode {
		word := "possible"
		if r.Expected {
			word = "expected"
		}
		t.Add(said("anode: "+r.Name, word, matter.Unmarked, r.Note))
	}
	return t
}

// floorDoubt is how well a floor is known, V: activities are taken for concentrations.
const floorDoubt = 0.02

// cathodeTable ranks the materials by hydrogen overpotential.
func (p *sheet) cathodeTable() report.Table {
	t := report.Table{Title: "Cathode materials, the highest hydrogen overpotential first", Key: "cathode_materials", List: true}
	for _, c := range p.Assessed.Plating.Cathodes {
		f := report.Figure{Label: c.Material, Text: string(c.Verdict), Mark: c.Overpotential.Mark, Note: c.Advice, Aside: c.Verdict == electrolysis.Possible,
			Rows: []report.Figure{{Key: "material", Word: c.Material}, {Key: "verdict", Word: string(c.Verdict)}}}
		if o := c.Overpotential; o.Known() {
			f.Text = quantity.Digits(o.Value, math.Max(o.StandardUncertainty, floorDoubt)) + " V, " + f.Text
			f.Rows = append(f.Rows, report.Of("hydrogen_overpotential", "", o, report.Volts, ""))
		}
		t.Add(f)
	}
	if len(t.Figures) > 0 {
		t.Title += " " + report.Cite(p.Assessed.Plating.Cathodes[0].Overpotential.Source)
	}
	return t
}
