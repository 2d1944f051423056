package main

import (
	"fmt"
	"io"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// tables lists the tables of a plan in the order of the work.
func (p *planned) tables(densityUnit string) []planTable {
	all := []planTable{p.bathTable(), p.othersTable(), p.targetTable(), p.budgetTable()}
	if p.assessed != nil {
		all = append(all, p.runTable(densityUnit), p.platingTable(), p.voltageTable(), p.gasTable(), p.liquidTable(), p.heatTable())
	}
	return all
}

func (p *planned) bathTable() planTable {
	plan := p.plan
	t := planTable{title: "Bath"}
	medium := string(plan.Medium)
	if medium == "" {
		medium = "unknown medium: state --medium"
	}
	t.add("metal", fmt.Sprintf("%s, %s, %s", plan.Metal.Element.Name, electrons(plan.Valence), medium), matter.Unmarked, plan.Couple.Reaction)
	for _, salt := range p.cell.Bath.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			continue // the plan has parsed it
		}
		molar, molarDoubt := f.MolarMass()
		if f.Count(plan.Metal.String()) == 0 && len(matter.WinnableIn(f)) > 0 {
			continue // among the other metals
		}
		if f.Count(plan.Metal.String()) == 0 {
			t.add(f.String(), "supporting", matter.Unmarked, "holds no "+p.metalName())
			continue
		}
		share, u := f.MassFraction(plan.Metal.String())
		t.add(f.String(), fmt.Sprintf("%s %% %s", quantity.Digits(share*100, u*100), plan.Metal), matter.Published, fmt.Sprintf("%s g/mol, CIAAW 2021", quantity.Digits(molar*1e3, molarDoubt*1e3)))
	}
	t.figure("metal in it", plan.Amount, inGrams, "g", "")
	t.figure("volume", plan.Volume, 1e3, "L", "")
	concentration := matter.Figure{Value: plan.Amount.Value / plan.Volume.Value, Mark: matter.Weakest(plan.Amount.Mark, plan.Volume.Mark),
		StandardUncertainty: plan.Amount.Value / plan.Volume.Value * math.Hypot(plan.Amount.Relative(), plan.Volume.Relative())}
	note := ""
	if w, ok := plan.Metal.Window(plan.Medium); ok && w.Concentration.Known() {
		note = usualNote(concentration.Value, w.Concentration, 1, 0, " g/L")
	}
	t.figure("concentration", concentration, 1, "g/L", note)
	equivalent := plan.Metal.Equivalent(plan.Valence)
	perGramOfMetal := 1 / (equivalent.Value * inGrams * matter.AmpereHour)
	t.add("charge per gram", quantity.Digits(perGramOfMetal, math.Max(perGramOfMetal*equivalent.Relative(), 2e-5))+" A·h/g", equivalent.Mark, "at 100 %, from CIAAW and CODATA")
	return t
}

// electrons counts the electrons of a reduction.
func electrons(n int) string {
	if n == 1 {
		return "1 electron"
	}
	return fmt.Sprintf("%d electrons", n)
}

// usualNote writes a usual range with its source, and where value lies outside of it.
func usualNote(value float64, r matter.Range, perSI, shift float64, unit string) string {
	note := fmt.Sprintf("usual %s%s (%s)", span(r, perSI, shift), unit, r.Source)
	switch {
	case value < r.Low*(1-1e-9) && r.Low > 0 || value < r.Low-1e-9:
		return "below the " + note
	case value > r.High+1e-9*math.Abs(r.High):
		return "above the " + note
	}
	return note
}

func (p *planned) targetTable() planTable {
	g := p.plan.Goal
	t := planTable{title: "Target: " + p.targetText()}
	t.figure("charge to pass", g.Charge, inAmpereHours, "A·h", fmt.Sprintf("from %s to %s A·h", quantity.Digits(g.Low*inAmpereHours, g.Charge.StandardUncertainty*inAmpereHours), quantity.Digits(g.High*inAmpereHours, g.Charge.StandardUncertainty*inAmpereHours)))
	t.figure("in theory", g.Theoretical, inAmpereHours, "A·h", "at 100 % efficiency")
	if g.Duration.Known() {
		t.add("time", timeText(g.Duration), g.Duration.Mark, "")
	}
	t.figure("deposit", g.Deposit, inGrams, "g", "by passing that charge")
	if !p.cell.Electrodes.SolubleAnode {
		t.figure("recovered", g.Recovered, 100, "%", "")
		t.figure("left in the bath", g.Left, 1, "g/L", "")
	}
	load := matter.Figure{Value: g.Charge.Value / p.plan.Volume.Value, Mark: matter.Weakest(g.Charge.Mark, p.plan.Volume.Mark)}
	load.StandardUncertainty = load.Value * math.Hypot(g.Charge.Relative(), p.plan.Volume.Relative())
	t.figure("load of the bath", load, inAmpereHours/1e3, "A·h/L", "additives are counted by it")
	t.figure("efficiency", p.plan.Efficiency, 100, "%", p.plan.Efficiency.Source)
	t.figure("mass transfer", p.plan.MassTransfer, 1, "m/s", p.plan.MassTransfer.Source)
	if p.plan.MassTransfer.Known() {
		mark := g.Charge.Mark
		t.add("efficiency falls from", p.loadText(g.Critical)+" g/L", mark, "below that the bath brings less than the current asks for")
		t.add("overall, marginal", fmt.Sprintf("%s %%, %s %%", quantity.Digits(g.Overall*100, p.plan.Efficiency.StandardUncertainty*100), quantity.Digits(g.Marginal*100, p.plan.Efficiency.StandardUncertainty*100)), mark, "of all the charge, and of its last")
		q := bath.QualityAt(g.RatioEnd)
		t.add("i/i_lim", fmt.Sprintf("%s to %s", p.loadText(g.RatioBegin), p.loadText(g.RatioEnd)), mark, fmt.Sprintf("begins %s, ends in %s", bath.QualityAt(g.RatioBegin).Word, q.Text))
	}
	return t
}

func (p *planned) budgetTable() planTable {
	t := planTable{title: "Where the doubt about the charge comes from (standard uncertainty, share of the variance)"}
	u := p.plan.Goal.Charge.StandardUncertainty
	for _, s := range p.plan.Goal.Budget {
		t.add(s.Source, quantity.Digits(s.Amount*inAmpereHours, s.Amount*inAmpereHours)+" A·h", s.Mark, fmt.Sprintf("%.0f %%", 100*s.Amount*s.Amount/(u*u)))
	}
	return t
}

func (p *planned) runTable(unit string) planTable {
	a := p.assessed
	t := planTable{title: "Run"}
	window, known := p.plan.Metal.Window(p.plan.Medium)
	t.figure("current", a.Conditions.Current, 1, "A", "")
	t.figure("cathode area", a.Conditions.CathodeArea, inSquareCentimetres, "cm²", "both faces, if both see an anode")
	note := "no usual window in the table"
	if known && window.CurrentDensity.Known() {
		note = usualNote(a.CathodeDensity.Value, window.CurrentDensity, perDensity(unit), 0, "")
	}
	t.figure("on the cathode", a.CathodeDensity, perDensity(unit), quantity.Printed(unit), note)
	t.figure("on the anode", a.AnodeDensity, perDensity(unit), quantity.Printed(unit), a.Conditions.AnodeArea.Source)
	growth := a.CathodeDensity.Value * p.plan.Goal.Overall * p.plan.Metal.Equivalent(p.plan.Valence).Value / p.plan.Metal.Density.Value
	t.add("growth", quantity.Digits(growth*3600*1e6, growth*3600*1e6*math.Hypot(a.CathodeDensity.Relative(), p.plan.Efficiency.Relative()))+" µm/h", matter.Weakest(a.CathodeDensity.Mark, p.plan.Metal.Density.Mark, p.plan.Goal.Charge.Mark), "if solid; trees outrun it by tens of times")
	deposit, area := p.plan.Goal.Deposit, a.Conditions.CathodeArea
	thick := deposit.Value / p.plan.Metal.Density.Value / area.Value * 1e3
	t.add("thickness at the end", quantity.Digits(thick, thick*math.Hypot(deposit.Relative(), area.Relative()))+" mm", matter.Weakest(deposit.Mark, area.Mark, p.plan.Metal.Density.Mark), "if solid and even; edges and trees stand out")
	if known && window.Temperature.Known() {
		t.figure("temperature", shiftedFigure(a.Conditions.Temperature, -matter.ZeroCelsius), 1, "°C", usualNote(a.Conditions.Temperature.Value, window.Temperature, 1, -matter.ZeroCelsius, ""))
	} else {
		t.figure("temperature", shiftedFigure(a.Conditions.Temperature, -matter.ZeroCelsius), 1, "°C", "")
	}
	note = a.Conditions.PH.Source
	if known && window.PH.Known() {
		note = usualNote(a.Conditions.PH.Value, window.PH, 1, 0, "")
	}
	t.figure("pH", a.Conditions.PH, 1, "", note)
	return t
}

func shiftedFigure(f matter.Figure, by float64) matter.Figure {
	f.Value += by
	return f
}

func (p *planned) platingTable() planTable {
	pl := p.assessed.Plating
	t := planTable{title: "Will it plate? " + pl.Verdict}
	t.figure("metal, at the start", pl.Metal, 1, "V", pl.Metal.Source)
	t.figure("metal, at the end", pl.MetalAtEnd, 1, "V", "")
	t.figure("hydrogen", pl.Hydrogen, 1, "V", pl.Hydrogen.Source)
	t.figure("difference", pl.Gap, 1, "V", "hydrogen less metal: what its overpotential has to hold back")
	t.figure("overpotential", pl.Overpotential, 1, "V", "of hydrogen on the deposit at this density: "+pl.Overpotential.Source)
	t.figure("margin", pl.Margin, 1, "V", "overpotential less difference; kinetics decide, this is a bound")
	t.figure("hydroxide falls at pH", pl.HydroxidePH, 1, "", pl.HydroxidePH.Source)
	return t
}

func (p *planned) voltageTable() planTable {
	a := p.assessed
	t := planTable{title: "Cell voltage"}
	if p.cell.Electrodes.SolubleAnode {
		t.add("no winning below", "0 V", matter.Published, "the anode dissolves: there is no floor")
	} else {
		t.add("no winning below", quantity.Digits(a.Floor.Metal, 0.02)+" V", a.Floor.Mark, "by thermodynamics, with the easiest reaction at the anode, "+a.Floor.Reaction+"; steady current below about 85 % of it means a short or the wrong anode")
	}
	for _, part := range a.Parts {
		t.add(part.Name, bandText(part.Band, 1)+" V", part.Mark, part.Source)
	}
	t.figure("stated at the cell", a.Conditions.CellVolts, 1, "V", "energy and heat are reckoned with it")
	t.add("expected at the supply", bandText(a.Voltage, 1)+" V", a.Voltage.Mark, "a band, not a promise: the cell's own runs teach a better one")
	if w, ok := p.plan.Metal.Window(p.plan.Medium); ok && w.CellVoltage.Known() {
		t.add("usual in the trade", span(w.CellVoltage, 1, 0)+" V", w.CellVoltage.Mark, w.CellVoltage.Source)
	}
	for _, r := range a.Anode {
		word := "possible"
		if r.Expected {
			word = "expected"
		}
		t.add("anode: "+r.Name, word, matter.Unmarked, r.Note)
	}
	return t
}

// printCathodes ranks the materials by hydrogen overpotential.
func (p *planned) printCathodes(w io.Writer) {
	if p.assessed == nil {
		return
	}
	t := planTable{title: "Cathode materials, the highest hydrogen overpotential first"}
	for _, c := range p.assessed.Plating.Cathodes {
		value := c.Verdict.String()
		if c.Overpotential.Known() {
			value = quantity.Digits(c.Overpotential.Value, math.Max(c.Overpotential.StandardUncertainty, 0.02)) + " V, " + value
		}
		t.add(c.Material, value, c.Overpotential.Mark, c.Advice)
	}
	t.print(w)
	if len(p.assessed.Plating.Cathodes) > 0 {
		printWrapped(w, "  source: ", "  ", p.assessed.Plating.Cathodes[0].Overpotential.Source)
	}
}

func (p *planned) gasTable() planTable {
	a := p.assessed
	t := planTable{title: fmt.Sprintf("Gas and air (dry, %s °C, 1 atm)", quantity.Digits(a.Conditions.Ambient.Value-matter.ZeroCelsius, 1))}
	for _, g := range a.Gas {
		name := g.Gas.String()
		if g.Possible {
			t.figure(name+", if it comes", g.Worst, inLitresPerHour, "L/h", "not expected, not ruled out")
			continue
		}
		if g.Gas == electrolysis.Hydrogen {
			t.figure(name+", at worst", g.Worst, inLitresPerHour, "L/h", "all current to hydrogen, as in a depleted bath: size the air for this")
		}
		if g.Gas == electrolysis.Hydrogen && p.fades() {
			t.figure(name+", on average", g.Rate, inLitresPerHour, "L/h", "over the whole run")
			t.figure(name+", at the end", p.hydrogenAtEnd(), inLitresPerHour, "L/h", p.hydrogenAtEnd().Source)
		} else {
			t.figure(name+", expected", g.Rate, inLitresPerHour, "L/h", "")
		}
		t.figure(name+", in the run", g.Total, 1e3, "L", fmt.Sprintf("at most %s L", quantity.Digits(g.Most.Value*1e3, g.Most.StandardUncertainty*1e3)))
	}
	air := a.Air
	t.figure("fresh air needed", air.Needed, inPerHour, "m³/h", "the larger of the next two")
	t.figure("battery-room rule", air.BatteryRoom, inPerHour, "m³/h", air.BatteryRoom.Source)
	t.figure("for 1 % hydrogen", air.QuarterFlammable, inPerHour, "m³/h", "a quarter of the flammable limit")
	t.add("two openings, each", quantity.Digits(air.Opening.Value*inSquareCentimetres, air.Opening.Value*inSquareCentimetres*0.1)+" cm²", air.Opening.Mark, "for that air by natural draught: "+air.Opening.Source)
	t.figure("for 0.5 ppm chlorine", air.ChlorineDilution, inPerHour, "m³/h", "asks for a fume hood, not for a fan")
	for _, e := range []struct {
		label string
		f     matter.Figure
	}{{"1 % hydrogen after", air.HydrogenTime}, {"0.5 ppm chlorine after", air.ChlorineTime}} {
		if e.f.Known() {
			t.add(e.label, quantity.LastingAbout(e.f.Value, e.f.Value*mixingDoubt), e.f.Mark, p.roomText()+"; "+e.f.Source)
		}
	}
	for _, e := range []struct {
		label, unit string
		f           matter.Figure
		perSI       float64
	}{{"hydrogen at the end", " %", air.HydrogenAtEnd, 100}, {"hydrogen settles at", " %", air.HydrogenSteady, 100}, {"chlorine settles at", " ppm", air.ChlorineSteady, 1e6}} {
		if e.f.Known() {
			t.add(e.label, quantity.Digits(e.f.Value*e.perSI, e.f.Value*e.perSI*mixingDoubt)+e.unit, e.f.Mark, e.f.Source)
		}
	}
	return t
}

// mixingDoubt is how well a room is taken to be mixed, relative, for the digits of what follows from it. Common practice, no source.
const mixingDoubt = 0.2

// roomText says which room the build-up times are for.
func (p *planned) roomText() string {
	if p.assessed.Conditions.Airflow.Known() {
		return "in this room with the stated air"
	}
	return "in this room, closed"
}

// hydrogenAtEnd is what comes off in the last moment: of the current, what no longer wins metal.
func (p *planned) hydrogenAtEnd() matter.Figure {
	worst, g := p.assessed.Gas[0].Worst, p.plan.Goal
	return matter.Figure{Value: worst.Value * (1 - g.Marginal), Mark: matter.Weakest(worst.Mark, g.Charge.Mark), Source: "the current less what still wins metal"}
}

func (p *planned) heatTable() planTable {
	a := p.assessed
	t := planTable{title: "Heat, leads and energy"}
	t.figure("heat into the bath", a.Heat.Power, 1, "W", a.Heat.Power.Source)
	t.figure("warming without loss", a.Heat.AdiabaticRate, inPerHour, "K/h", "")
	if a.Heat.Boils {
		t.add("bath settles", "boils", matter.Assumed, a.Heat.Steady.Source)
	} else {
		t.figure("bath settles near", shiftedFigure(a.Heat.Steady, -matter.ZeroCelsius), 1, "°C", a.Heat.Steady.Source)
	}
	word := "grows by " + quantity.Digits(100*(a.Heat.Gain.Value-1), 10) + " %"
	if a.Heat.RunsAway {
		word = "runs away"
	}
	t.add("under constant voltage", "current "+word, a.Heat.Gain.Mark, a.Heat.Gain.Source)
	if a.Lead.CrossSection > 0 {
		t.add("leads", fmt.Sprintf("%g mm² copper", a.Lead.CrossSection*1e6), matter.Assumed,
			fmt.Sprintf("up to %g A; loses %s V over %s m and back", a.Lead.Carries, quantity.Digits(a.Lead.Drop, a.Lead.Drop/2), quantity.Digits(a.Conditions.LeadLength.Value, 0)))
	}
	clips := "bolt"
	if a.Clip.Clips > 0 {
		clips = fmt.Sprintf("%d per electrode", a.Clip.Clips)
	}
	t.add("clips", clips, matter.Assumed, a.Clip.Advice)
	where := "at the supply's output"
	if a.Conditions.CellVolts.Known() {
		where = "at the cell, by the stated voltage; the leads take some more"
	}
	t.figure("energy", a.Energy.Total, inKilowattHours, "kWh", where)
	t.figure("energy per metal", a.Energy.Specific, inKilowattHours, "kWh/kg", "")
	t.figure("cost", a.Energy.Cost, 1, "", "in your money; "+a.Energy.Cost.Source)
	return t
}
