package plansheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// heldVolts is what becomes of the run where the supply holds the voltage; nothing in it is Known otherwise.
func (p *sheet) heldVolts() electrolysis.Held {
	if p.Assessed == nil {
		return electrolysis.Held{}
	}
	return p.Assessed.Heat.Held
}

// answer is what was asked for, and whether metal will plate at all.
func (p *sheet) answer() []string {
	g := p.Bath.Goal
	text := fmt.Sprintf("Pass %s A·h", doubted(g.Charge, inAmpereHours))
	if g.Duration.Known() {
		amperes, lasting := quantity.Digits(p.Bath.Conditions().Current.Value, 0), report.Lasting(g.Duration)
		if held := p.heldVolts(); held.Duration.Known() {
			amperes, lasting = "constant voltage, from "+amperes, report.Lasting(held.Duration)
		}
		text += fmt.Sprintf(" at %s A for %s", amperes, lasting)
	}
	text += fmt.Sprintf(". The deposit is %s g of %s", doubted(g.Deposit, 1e3), p.metalName())
	switch {
	case p.SolubleAnode():
		text += fmt.Sprintf(". The anode dissolves and returns %s g.", p.givenBack())
	case p.Left != "":
		text += fmt.Sprintf(", %s %% of the %s.", p.share(g.Recovered), p.Left)
	default:
		text += fmt.Sprintf(", %s %% of the %s g in the bath.", p.share(g.Recovered), quantity.Digits(p.Bath.Amount.Value*1e3, p.Bath.Amount.StandardUncertainty*1e3))
	}
	if g.Anode.Value > 0 {
		text += fmt.Sprintf(" The anode takes %s g more as %s.", doubted(g.Anode, 1e3), p.Bath.Anode.Oxide.Formula)
	}
	switch c := g.Crossed; {
	case c.Value > 0:
		text += fmt.Sprintf(" %s g cross the separator.", doubted(c, 1e3))
	case c.High > 0:
		text += fmt.Sprintf(" Up to %s g cross the separator.", quantity.Digits(c.High*1e3, c.High*1e2))
	}
	text += fmt.Sprintf(" %s g/L remain in the bath.", doubted(g.Left, 1))
	if verdict := p.Verdict(); verdict != "" {
		return []string{text, willItPlate + verdict}
	}
	return []string{text}
}

const willItPlate = "Will it plate? "

// share writes a share in per cent to the digits that its doubt leaves, with its limits if it has any.
func (p *sheet) share(f matter.Figure) string {
	if f.Skewed() {
		return doubted(f, 100)
	}
	return quantity.Digits(100*f.Value, 100*f.StandardUncertainty)
}

// holdText says how much the hold current is, or nothing without a current.
func (p *sheet) holdText() string {
	switch h := p.Hold(); h.Mark {
	case matter.Unmarked:
		return ""
	case matter.Given:
		return fmt.Sprintf(" (%s A, given)", quantity.Digits(h.Value, 0))
	default:
		return fmt.Sprintf(" (about %s A, assumed: %s)", quantity.Digits(h.Value, h.StandardUncertainty), h.Source)
	}
}

// stopText says what ending the run safely means here.
func (p *sheet) stopText() string {
	stop := p.Bath.Metal.Stop(p.Bath.Medium)
	text := "To end the run, " + strings.Replace(stop.State.Words(), "hold current", "hold current"+p.holdText(), 1) + ": " + stop.Why + "."
	switch {
	case stop.Unattended == stop.State:
	case stop.Unattended == matter.Hold:
		text += " With nobody there, hold a low current until somebody comes."
	default:
		text += " With nobody there, switch off."
	}
	switch {
	case p.SolubleAnode():
		return text
	case p.Bath.Metal.Depletion.Visible:
		return text + " Depletion also shows in the cell voltage."
	}
	return text + " Depletion does not show in cell voltage or current."
}

// targetText says what was asked for.
func (p *sheet) targetText() string {
	f := matter.Figure{Value: p.Wish.Value.SI} // a wish has no doubt
	switch p.Wish.Form {
	case bath.Recover:
		return "recover " + doubted(f, 100) + " %"
	case bath.Concentration:
		if p.Wish.Value.Dimension == quantity.AmountConcentration {
			return "deplete to " + doubted(f, 1e-3) + " mol/L"
		}
		return "deplete to " + doubted(f, 1) + " g/L"
	case bath.Deposit:
		return "a deposit of " + doubted(f, 1e3) + " g"
	case bath.Thickness:
		return "a deposit of " + doubted(f, 1e6) + " µm"
	case bath.Charge:
		return "pass " + doubted(f, inAmpereHours) + " A·h"
	}
	return "until the next gram costs more than " + doubted(f, report.KilowattHours.PerSI) + " kWh/kg"
}

const (
	practice   = "common practice, no source"
	waterDoubt = 0.2 // relative, for the digits of the water to have at hand
)

// metalName is the metal in words.
func (p *sheet) metalName() string { return p.Bath.Metal.Element.Name }

// tabled are the cautions of the table of metals, those that are dangers or the others.
func (p *sheet) tabled(danger bool) []string {
	var all []string
	for _, c := range p.Bath.Metal.CautionsIn(p.Bath.Medium) {
		if c.Danger == danger && (!c.Acid || p.Assessed == nil || p.Assessed.Acid.Bath.Value > 0) {
			all = append(all, sentence(c.Text)+" "+report.Cite(c.Source))
		}
	}
	return all
}

// dangers are what can hurt somebody.
func (p *sheet) dangers() []string {
	all := p.tabled(true)
	if p.Assessed != nil {
		all = append(p.Assessed.Dangers, all...)
	}
	all = append(append(all, p.poisons()...), p.splash())
	if p.Bath.Metal.Stop(p.Bath.Medium).State == matter.LiftThenOff {
		all = append(all, "Never lift the cathode at the working current: it sparks, in hydrogen. "+report.Cite(practice))
	}
	return append(all, "Local codes and a person licensed to judge the room come first.")
}

// poisons are the deadly gases that a salt beside that of the metal gives off in this bath.
func (p *sheet) poisons() (all []string) {
	for _, salt := range p.Order.Bath.Contents.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			continue // said elsewhere
		}
		dry, _, _ := strings.Cut(f.String(), "·")
		acid := p.Bath.Medium.Acidic()
		const gassed, mixed = "gives off %s, deadly, wherever hydrogen comes off: at the cathode, and on zinc dust. Take it out before the run, in a fume hood.", "in an acid bath gives off %s, deadly: do not mix them."
		for _, row := range []struct {
			holds     bool
			text, gas string
		}{
			{f.Count("As") > 0, gassed, "arsine"},
			{f.Count("Sb") > 0 && p.Bath.Metal.String() != "Sb", gassed, "stibine"},
			{acid && strings.Contains(dry, "CN") && !strings.Contains(dry, "SCN"), mixed, "hydrogen cyanide"},
			{acid && f.Count("S") > 0 && !strings.ContainsAny(dry, "CO"), mixed, "hydrogen sulfide"},
		} {
			if row.holds {
				all = append(all, fmt.Sprintf("%s "+row.text, f, row.gas))
			}
		}
	}
	return all
}

// splashes are the hazards of liquids that are no common acid.
var splashes = map[matter.Medium]string{
	matter.Alkaline:   "Caustic bath and mist: goggles and gloves.",
	matter.Cyanide:    "Cyanide: deadly, and with acid deadly as a gas. No acid near it. Trained persons only.",
	matter.Sulfide:    "Sulfide bath: with acid it gives off hydrogen sulfide, deadly and soon no longer smelled. No acid near it. Fume hood. Trained persons only.",
	matter.Ammine:     "Ammonia bath: goggles, gloves and fume hood. Rinse splashes at once with plenty of water.",
	matter.Chromic:    "Chromic acid and its mist: carcinogenic and corrosive, and they set paper and solvents on fire. Goggles, gloves, extraction. Nothing into the drain.",
	matter.Nitrate:    "Nitrate bath: once depleted or strongly acid it redissolves the deposit and gives off nitrogen oxides, poisonous hours after they were breathed: fume hood, goggles, gloves. It feeds fire.",
	matter.Fluoborate: "Fluoborate bath: it may hold hydrofluoric acid, which poisons through the skin. Goggles, gloves, calcium gluconate gel at hand. A splash needs a doctor at once.",
}

// splash is the hazard of the liquid itself.
func (p *sheet) splash() string {
	return cmp.Or(splashes[p.Bath.Medium], "Acid bath and acid mist: goggles and gloves. Rinse splashes at once with plenty of water.")
}

// steps are what to do, in the order of doing.
func (p *sheet) steps() []string {
	all := slices.Clone(p.Before)
	if p.Assessed == nil {
		all = append(all, "State the current or the cathode area to learn the time, the gas and the heat.")
	}
	var names []string
	for _, o := range p.ComeWithIt() {
		names = append(names, o.Metal.Element.Name)
	}
	codeposit := "it codeposits"
	if len(names) > 1 {
		codeposit = "they codeposit"
	}
	if len(names) > 0 {
		by, gas := "by cementation, as hydroxide", " Beside arsenic or antimony cementation gives off deadly gas: fume hood only."
		switch i := slices.Index(names, "iron"); {
		case i >= 0 && len(names) == 1: // its cementation is too slow
			by, gas = "as hydroxide", ""
		case i >= 0:
			by = "by cementation (not iron), as hydroxide"
		}
		all = append(all, fmt.Sprintf("Remove %s first, or %s: %s, or at low current on scrap.%s %s", strings.Join(names, " and "), codeposit, by, gas, report.Cite(practice)))
	}
	all = append(all, "Set current limit, over-voltage trip and a mains timer. nightcell is not a safety device.")
	if q := bath.QualityAt(p.Bath.Goal.RatioEnd); q.Word != "" && q.Word != "compact" {
		all = append(all, fmt.Sprintf("Reduce the current towards the end (--taper 0.33): at the end i/i_lim reaches %s, which usually means %s.", p.loadText(p.Bath.Goal.RatioEnd), q.Text))
	}
	if p.Assessed != nil {
		all = append(all, fmt.Sprintf("Keep %s g of water at hand, and top up to the mark before each sample.", quantity.Digits(p.Assessed.Water.TopUp.Value*1e3, p.Assessed.Water.TopUp.Value*waterDoubt*1e3)))
	}
	return append(all, fmt.Sprintf("Do not interrupt the current for more than about %s.", roughly(p.Bath.Metal.Interrupt.Tolerance.Value)), p.stopText())
}

// cautions are what else to know beforehand.
func (p *sheet) cautions() []string {
	all := p.tabled(false)
	if p.Assessed != nil {
		all = append(all, p.Assessed.Cautions...)
	}
	interrupt := p.Bath.Metal.Interrupt
	all = append(all, "Interruption of the current: "+sentence(interrupt.Why)+" "+report.Cite(interrupt.Tolerance.Source))
	if p.Divided() {
		level := ""
		if p.Order.Cell.Separator == electrolysis.Diaphragm { // no liquid passes a membrane
			level = " Keep its level slightly higher, so that liquid flows outward."
		}
		all = append(all, "The planned charge is that of the catholyte."+level,
			"What crosses the separator into the anolyte is computed as a share of the current. An assay of both sides says how much it is.")
	}
	if fade, ok := p.Bath.Metal.Fade(p.Bath.Medium); ok && p.Bath.Goal.Recovered.Value > fade.Beyond {
		all = append(all, sentence(fade.Why)+" "+report.Cite(fade.Source))
	}
	return append(all, "Cell voltage and current do not show pH, current efficiency, which metal plates, a leak above the plates, gas in the room or one shorted plate of several. Look, measure, weigh.")
}

// sentence makes a clause of the table one with a capital and a full stop.
func sentence(text string) string {
	return strings.ToUpper(text[:1]) + strings.TrimRight(text[1:], ".") + "." // the first letter is ASCII in every table
}

// loadText writes an i/i_lim, which is no better known than the mass transfer.
func (p *sheet) loadText(ratio float64) string { return quantity.Digits(ratio, p.loadDoubt(ratio)) }

// loadDoubt is the standard uncertainty of what is known no better than the mass transfer.
func (p *sheet) loadDoubt(v float64) float64 { return v * p.Bath.MassTransfer.Relative() }

// roughly writes a time that is known to one digit.
func roughly(seconds float64) string {
	switch {
	case seconds < 120:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 7200:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}

func (p *sheet) noblerText(o bath.Other, by float64) string {
	volts := quantity.Digits(by, 0.04) // the doubt of concentration taken for activity
	switch {
	case by > plan.AboutAsNoble && p.Anomalous(o):
		return "nobler on paper by " + volts + " V, but zinc mostly deposits first beside metals of the iron group (anomalous codeposition, from memory): some codeposits"
	case by > plan.AboutAsNoble:
		return "nobler on paper by " + volts + " V: deposits first, as far as stirring brings it to the cathode"
	case by > -plan.AboutAsNoble:
		return "about as noble on paper: codeposits"
	}
	return "less noble on paper by " + quantity.Digits(-by, 0.04) + " V: mostly stays in solution while the bath is rich"
}
