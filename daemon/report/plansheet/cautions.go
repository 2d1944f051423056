package plansheet

import (
	"fmt"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// metalName is the metal in words.
func (p *sheet) metalName() string { return p.Bath.Metal.Element.Name }

// cautions collects the warnings of the metal and of the cell, without saying one twice.
func (p *sheet) cautions() []string {
	var all []string
	metal := p.Bath.Metal
	for _, c := range metal.CautionsIn(p.Bath.Medium) {
		if c.Acid && p.Assessed != nil && !(p.Assessed.Acid.Bath.Value > 0) {
			continue
		}
		all = append(all, sentence(c.Text)+fmt.Sprintf(" (%s)", c.Source))
	}
	if metal.Stop(p.Bath.Medium).State == matter.LiftThenOff {
		all = append(all, "Never lift the cathode at the working current: the circuit breaks at the surface, in hydrogen, and at constant current the supply goes to its voltage limit and sparks. Turn it down to the hold current first. (common practice, no source)")
	}
	tolerance := metal.Interrupt.Tolerance
	all = append(all, sentence(fmt.Sprintf("the current may be missing for about %s: %s", roughly(tolerance.Value), metal.Interrupt.Why))+fmt.Sprintf(" (%s)", tolerance.Source))
	if p.Assessed != nil {
		all = append(all, p.Assessed.Cautions...)
	}
	var names []string
	for _, o := range p.ComeWithIt() {
		names = append(names, o.Metal.Element.Name)
	}
	if len(names) > 0 {
		all = append(all, fmt.Sprintf("The deposit will hold %s too, which costs charge and purity: take it out first (by dust of the metal to be won where that is the less noble, by its hydroxide, or on scrap at low current), and assay for it. (common practice, no source)", strings.Join(names, " and ")))
	}
	if p.Divided() {
		all = append(all, "The charge belongs to the catholyte: keep its level slightly higher, so that liquid flows outward.",
			"Metal that crosses the separator into the anolyte is not followed: the account has it still in the catholyte. Assay both sides.")
	}
	if q := bath.QualityAt(p.Bath.Goal.RatioEnd); q.Word != "" && q.Word != "compact" {
		all = append(all, fmt.Sprintf("Towards the end i/i_lim reaches %s, which usually means %s: a taper (--taper 0.33) holds it down.", p.loadText(p.Bath.Goal.RatioEnd), q.Text))
	}
	return append(all,
		"V and I cannot see pH, efficiency, which metal plates, a leak above the plates, gas in the room, or one shorted plate of several: look, measure, weigh.",
		"Set the current limit and the over-voltage trip in the supply, and a mains timer behind the expected end: nightcell is a watcher, not a safety device.",
		"Local codes and a person licensed to judge the room come first.")
}

// sentence makes a clause of the table one with a capital and a full stop.
func sentence(text string) string {
	return strings.TrimRight(sentenceCase(text), ".") + "."
}

// sentenceCase makes the first letter, which is ASCII in every table, a capital.
func sentenceCase(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

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
		return "nobler on paper by " + volts + " V, yet beside metals of the iron group zinc mostly comes first (anomalous codeposition, from memory): some comes with it"
	case by > plan.AboutAsNoble:
		return "nobler on paper by " + volts + " V: comes first, as far as stirring brings it"
	case by > -plan.AboutAsNoble:
		return "about as noble on paper: comes with it"
	}
	return "less noble on paper by " + quantity.Digits(-by, 0.04) + " V: mostly stays behind while the bath is rich"
}
