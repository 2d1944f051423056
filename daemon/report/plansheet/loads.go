package plansheet

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// mixingDoubt is how well a room is taken to be mixed, relative, for the digits of what follows from it; airDoubt likewise
// for what follows from the air that is needed. Common practice, no source.
const (
	mixingDoubt = 0.2
	airDoubt    = 0.1
)

func (p *sheet) gasTable() report.Table {
	a := p.Assessed
	t := report.Table{Title: fmt.Sprintf("Gas and air (dry, %s °C, 1 atm)", quantity.Digits(a.Conditions.Ambient.Value-matter.ZeroCelsius, 1))}
	for _, g := range a.Gas {
		p.gasRows(&t, g)
	}
	air := a.Air
	t.Known("ventilation", "fresh air needed", air.Needed, report.CubicMetresPerHour, "the larger of the next two")
	t.Known("ventilation_battery_room", "battery-room rule", air.BatteryRoom, report.CubicMetresPerHour, by("", air.BatteryRoom.Source))
	t.Known("ventilation_quarter_limit", "for 1 % hydrogen", air.QuarterFlammable, report.CubicMetresPerHour, "a quarter of the flammable limit")
	t.Add(rough("ventilation_opening", "two openings, each", air.Opening.Value, air.Opening.Value*airDoubt, report.SquareCentimetres, air.Opening.Mark, by("for that air by natural draught", air.Opening.Source)))
	t.Known("chlorine_dilution", "for 0.5 ppm chlorine", air.ChlorineDilution, report.CubicMetresPerHour, "needs a fume hood, not a fan")
	room := "in this room, closed"
	if a.Conditions.Airflow.Known() {
		room = "in this room with the stated ventilation"
	}
	for _, e := range []struct {
		key, label string
		unit       report.Unit
		f          matter.Figure
	}{{"hydrogen_one_percent", "1 % hydrogen after", report.Seconds, air.HydrogenTime}, {"chlorine_half_ppm", "0.5 ppm chlorine after", report.Seconds, air.ChlorineTime},
		{"room_hydrogen_at_end", "hydrogen at the end", report.Percent, air.HydrogenAtEnd}, {"room_hydrogen_steady", "hydrogen levels off at", report.Percent, air.HydrogenSteady},
		{"room_chlorine_steady", "chlorine levels off at", report.PartsPerMillion, air.ChlorineSteady}} {
		if !e.f.Known() {
			continue
		}
		f := rough(e.key, e.label, e.f.Value, e.f.Value*mixingDoubt, e.unit, e.f.Mark, by("", e.f.Source))
		if e.unit == report.Seconds {
			f.Text, f.Note = quantity.LastingAbout(f.Value, f.Rough), by(room, e.f.Source)
		}
		t.Add(f)
	}
	return t
}

// gasRows shows one gas: at worst, as expected, in the whole run.
func (p *sheet) gasRows(t *report.Table, g electrolysis.GasLoad) {
	name := g.Gas.String()
	worst := report.Of(name+"_worst_case", "", g.Worst, report.LitresPerHour, "")
	rate := report.Of(name+"_expected", "", g.Rate, report.LitresPerHour, "")
	total := report.Of(name+"_total", "", g.Total, report.LitresOfGas, "")
	var atEnd report.Figure
	switch {
	case g.Possible:
		worst.Label, worst.Note = name+", possible", "not expected, not excluded"
		if g.Total.Value > 0 {
			worst.Label, worst.Note = name+", at most", "if all of the current makes it"
			rate.Label, total.Label = name+", expected", name+", total"
		}
	case g.Gas == electrolysis.Hydrogen:
		worst.Label, worst.Note = name+", worst case", "all current to hydrogen, as in a depleted bath: the ventilation is for this"
	}
	end := p.HydrogenAtEnd()
	if g.Gas == electrolysis.Hydrogen {
		atEnd = plain("hydrogen_at_end", "", end.Value, report.LitresPerHour, end.Mark, end.Source)
	}
	if !g.Possible {
		if g.Gas == electrolysis.Hydrogen && p.Fades() {
			rate.Label, rate.Note = name+", average", "over the whole run"
			atEnd.Label = name + ", at the end"
		} else {
			rate.Label = name + ", expected"
		}
		total.Label = name + ", total"
		if g.Most.Value > math.Max(g.Total.Value+2*g.Total.StandardUncertainty, g.Total.High) {
			total.Note = fmt.Sprintf("at most %s L", quantity.Digits(g.Most.Value*1e3, g.Most.StandardUncertainty*1e3))
		}
	}
	for _, f := range []report.Figure{worst, rate, atEnd, total} {
		if f.Mark != matter.Unmarked {
			t.Add(f)
		}
	}
}

func (p *sheet) liquidTable() report.Table {
	a := p.Assessed
	t := report.Table{Title: "Acid, base and water of the run"}
	p.acid(&t, "", "net in the bath", a.Acid.Bath, p.Bath.Medium)
	if p.Divided() {
		t.Add(report.Figure{Key: "anolyte_medium", Word: string(a.Conditions.AnolyteMedium)})
		p.acid(&t, "anolyte_", "in the anolyte", a.Acid.Anolyte, a.Conditions.AnolyteMedium)
		p.acid(&t, "catholyte_", "in the catholyte", a.Acid.Catholyte.Times(-1), p.Bath.Medium)
		t.Known("catholyte_base_at_worst", "base, worst case", a.Acid.CatholyteWorst, report.Moles, by("in the catholyte", a.Acid.CatholyteWorst.Source))
	}
	p.phRows(&t)
	split := ""
	if a.Water.Split.Value > 0 {
		split = "water split"
	}
	t.Known("water_split", split, a.Water.Split, report.Grams, "")
	t.Add(report.Of("water_evaporated", "water evaporated", a.Water.Evaporated, report.Grams, by("", a.Water.Evaporated.Source)))
	t.Add(report.Of("level_fall", "level falls", a.Water.LevelFall, report.Millimetres, "over "+quantity.Digits(a.Conditions.OpenArea.Value*report.SquareCentimetres.PerSI, 0)+" cm² of open surface: "+a.Conditions.OpenArea.Source))
	t.Add(rough("water_to_have", "water to keep at hand", a.Water.TopUp.Value, a.Water.TopUp.Value*waterDoubt, report.Grams, a.Water.TopUp.Mark, "top up to the mark before each sample"))
	return t
}

// phRows shows the pH against charge, where it ends, and what falls out or dissolves on the way.
func (p *sheet) phRows(t *report.Table) {
	l := p.Assessed.Liquid
	if !l.Known() {
		return
	}
	where := "the bath"
	if p.Divided() {
		where = "the catholyte"
	}
	t.Add(report.Of("ph_at_end", "pH at the end, "+where, l.End, report.One, by("", l.End.Source)))
	t.Known("anolyte_ph_at_end", "pH at the end, the anolyte", l.AnolyteEnd, report.One, by("", l.AnolyteEnd.Source))
	t.Known("ph_at_end_if_divided", "pH at the end, if divided", l.IfDivided, report.One, by("", l.IfDivided.Source))
	for _, e := range []struct {
		key, label, note string
		charge           float64
	}{{"hydroxide_falls_after", "hydroxide from", l.Falls, l.FallsAfter}, {"deposit_dissolves_after", "deposit dissolves from", "all current makes hydrogen", l.DissolvesAfter}} {
		if !math.IsInf(e.charge, 1) {
			t.Add(rough(e.key, e.label, e.charge, p.Bath.Goal.Charge.Value/16, report.AmpereHours, l.End.Mark, e.note))
		}
	}
}

// courseTable is the pH against charge; empty where it could not be followed.
func (p *sheet) courseTable() report.Table {
	t := report.Table{Key: "ph_course", List: true, Title: "pH against charge"}
	for _, point := range p.Assessed.Liquid.Course {
		charge := rough("charge", "", point.Charge, point.Charge/50, report.AmpereHours, p.Bath.Goal.Charge.Mark, "")
		f := report.Of("ph", charge.String(), point.PH, report.One, "")
		f.Rows = []report.Figure{charge}
		t.Add(f)
	}
	return t
}

// acidWords names what a gain of H+ in mol is, and what a gain of the other sign is; and
// the substance that is weighed for it, with its kg per mol.
func acidWords(moles float64, medium matter.Medium) (word, other, formula string, kilogramsPerMole float64) {
	word, other = "acid", "base"
	if formula, _ = electrolysis.AcidOf(medium); formula == "NaOH" {
		word, other = "alkali used up", "alkali made"
	}
	if moles < 0 {
		word, other, medium = other, word, matter.Alkaline
	}
	formula, _ = electrolysis.AcidOf(medium)
	return word, other, formula, electrolysis.AcidMass(1, medium)
}

// acid adds a row for H+ gained in mol, in the words of acidWords, with its limits or its standard uncertainty. Where nothing is
// gained, JSON alone says so.
func (p *sheet) acid(t *report.Table, where, words string, b matter.Figure, medium matter.Medium) {
	word, other, formula, kilograms := acidWords(b.Value, medium)
	label := word + " " + words
	if b.Value == 0 && b.Low == 0 && b.High == 0 {
		label = ""
	}
	if b.Value < 0 {
		b = b.Times(-1)
	}
	key := where + strings.ReplaceAll(word, " ", "_")
	moles, mass := report.Of(key, label, b, report.Moles, ""), report.Of(key, "", b.Times(kilograms), report.Grams, "")
	moles.Note = mass.String() + " as " + formula
	if b.Low < 0 {
		moles.Note += "; below zero is " + other
	}
	if b.Source != "" {
		moles.Note = by(moles.Note, b.Source)
	}
	moles.Rows = []report.Figure{mass}
	t.Add(moles)
}

func (p *sheet) heatTable() report.Table {
	a := p.Assessed
	t := report.Table{Title: "Heat, leads and energy"}
	t.Known("heat", "heat into the bath", a.Heat.Power, report.Watts, by("", a.Heat.Power.Source))
	t.Known("warming", "heating rate without loss", a.Heat.AdiabaticRate, report.KelvinsPerHour, "")
	steady := "bath levels off near"
	if a.Heat.Boils {
		t.Add(said("bath temperature", "boils", matter.Assumed, by("", a.Heat.Steady.Source)))
		steady = ""
	}
	t.Known("steady_temperature", steady, a.Heat.Steady, report.Celsius, by("", a.Heat.Steady.Source))
	t.Known("heater", "heater to hold the temperature", a.Heat.Heater, report.Watts, by("", a.Heat.Heater.Source))
	if held := a.Heat.Held; held.Limit.Known() {
		t.Known("held_settled", "current once warm", held.Settled, report.Amperes, by("", held.Settled.Source))
		t.Known("held_duration", "time at constant voltage", held.Duration, report.Hours, "the current creeps as the bath warms")
		t.Known("held_limit", "current limit to set", held.Limit, report.Amperes, by("", held.Limit.Source))
	}
	word := "rises by " + quantity.Digits(100*(a.Heat.Gain.Value-1), 10) + " %"
	if a.Heat.RunsAway {
		word = "runs away"
	}
	t.Add(said("under constant voltage", "current "+word, a.Heat.Gain.Mark, by("", a.Heat.Gain.Source)))
	t.Add(report.Figure{Key: "constant_voltage_runs_away", Word: a.Heat.RunsAway})
	lead := plain("lead_cross_section", "", a.Lead.CrossSection, report.SquareMillimetres, matter.Assumed, "")
	if a.Lead.CrossSection > 0 {
		lead.Label, lead.Text = "leads", fmt.Sprintf("%g mm² copper", a.Lead.CrossSection*1e6)
		lead.Note = fmt.Sprintf("up to %g A; voltage drop %s V over %s m and back", a.Lead.Carries, quantity.Digits(a.Lead.Drop, a.Lead.Drop/2), quantity.Digits(a.Conditions.LeadLength.Value, 0))
	}
	t.Add(lead)
	clips := "bolt"
	if a.Clip.Clips > 0 {
		clips = fmt.Sprintf("%d per electrode", a.Clip.Clips)
	}
	t.Add(said("clips", clips, matter.Assumed, a.Clip.Advice))
	where := "at the output of the supply"
	if a.Conditions.CellVolts.Known() {
		where = "at the cell, with the stated voltage; the leads take some more"
	}
	t.Known("energy", "energy", a.Energy.Total, report.KilowattHours, where)
	t.Known("specific_energy", "specific energy", a.Energy.Specific, report.KilowattHoursPerKilogram, "")
	t.Known("energy_cost", "cost", a.Energy.Cost, report.Money, "in your money; "+a.Energy.Cost.Source)
	return t
}
