package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// Trade units per SI unit.
const (
	inAmpereHours       = 1 / 3600.0
	inGrams             = 1e3
	inPerHour           = 3600.0
	inLitresPerHour     = 1e3 * 3600
	inKilowattHours     = 1 / 3.6e6
	inSquareCentimetres = 1e4
)

// extras is what was asked for besides the plan.
type extras struct {
	compared []*planned
	scaled   *scaledPlan
	taper    *taperedPlan
}

// printPlan writes the answer, the tables, the cautions and the sensitivity.
func printPlan(out io.Writer, p *planned, x extras, o *planOptions) error {
	w := bufio.NewWriter(out)
	for _, sentence := range p.sentences() {
		printWrapped(w, "", "", sentence)
	}
	printWrapped(w, "", "", p.marksLine())
	for _, note := range append(p.cellNote, p.plan.Notes...) {
		printWrapped(w, "note: ", "      ", note)
	}
	for _, t := range p.tables(o.densityUnit) {
		t.print(w)
	}
	p.printCathodes(w)
	p.printCourse(w)
	printTaper(w, x.taper)
	printCompared(w, p, x.compared, o.densityUnit)
	printScaled(w, x.scaled, o.densityUnit)
	fmt.Fprintf(w, "\nCautions\n")
	for _, c := range p.cautions() {
		printWrapped(w, "  - ", "    ", c)
	}
	p.printSensitivity(w)
	fmt.Fprintf(w, "\nMarks: m measured, g given, p published, a assumed; a computed figure carries the weakest mark of what\n"+
		"went into it. ± is twice the standard uncertainty (k = 2).\n")
	if err := w.Flush(); err != nil {
		return fmt.Errorf("printing the plan: %w", err)
	}
	return nil
}

// metalName is the metal in words.
func (p *planned) metalName() string { return p.plan.Metal.Element.Name }

// cautions collects the warnings of the metal and of the cell, without saying one twice.
func (p *planned) cautions() []string {
	var all []string
	metal := p.plan.Metal
	for _, c := range metal.CautionsIn(p.plan.Medium) {
		if c.Acid && p.assessed != nil && !(p.assessed.Acid.Bath.Value > 0) {
			continue
		}
		all = append(all, sentence(c.Text)+fmt.Sprintf(" (%s)", c.Source))
	}
	if metal.Stop(p.plan.Medium).State == matter.LiftThenOff {
		all = append(all, "Never lift the cathode at the working current: the circuit breaks at the surface, in hydrogen, and at constant current the supply goes to its voltage limit and sparks. Turn it down to the hold current first. (common practice, no source)")
	}
	tolerance := metal.Interrupt.Tolerance
	all = append(all, sentence(fmt.Sprintf("the current may be missing for about %s: %s", roughly(tolerance.Value), metal.Interrupt.Why))+fmt.Sprintf(" (%s)", tolerance.Source))
	if p.assessed != nil {
		all = append(all, p.assessed.Cautions...)
	}
	if names := p.comesWithIt(); len(names) > 0 {
		all = append(all, fmt.Sprintf("The deposit will hold %s too, which costs charge and purity: take it out first (by dust of the metal to be won where that is the less noble, by its hydroxide, or on scrap at low current), and assay for it. (common practice, no source)", strings.Join(names, " and ")))
	}
	if p.cell.Electrodes.Divided() {
		all = append(all, "The charge belongs to the catholyte: keep its level slightly higher, so that liquid flows outward.",
			"Metal that crosses the separator into the anolyte is not followed: the account has it still in the catholyte. Assay both sides.")
	}
	if q := bath.QualityAt(p.plan.Goal.RatioEnd); q.Word != "" && q.Word != "compact" {
		all = append(all, fmt.Sprintf("Towards the end i/i_lim reaches %s, which usually means %s: a taper (--taper 0.33) holds it down.", p.loadText(p.plan.Goal.RatioEnd), q.Text))
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
func (p *planned) loadText(ratio float64) string {
	return quantity.Digits(ratio, ratio*p.plan.MassTransfer.Relative())
}

// printCourse shows how the run goes, when its efficiency falls on the way.
func (p *planned) printCourse(w io.Writer) {
	if !p.plan.MassTransfer.Known() {
		return
	}
	var rows [][]string
	for _, share := range []float64{0, 0.5, 0.8, 0.9, 0.95, 0.99} {
		point, ok := p.plan.At(share)
		if !ok {
			continue
		}
		rows = append(rows, []string{
			quantity.Digits(share*100, 0) + " %", quantity.Digits(point.Concentration, 0), quantity.Digits(point.Seconds/3600, 0), quantity.Digits(point.Coulombs*inAmpereHours, 0),
			quantity.Digits(point.Deposit*inGrams, 0), quantity.Digits(point.Overall*100, 1), quantity.Digits(point.Marginal*100, 1),
			p.loadText(point.LoadRatio), bath.QualityAt(point.LoadRatio).Word,
		})
	}
	printGrid(w, "Course of the run, beyond the target too ("+letter(p.plan.Goal.Duration.Mark)+"; the word for the deposit: common practice, no source)",
		[]string{"recovered", "g/L", "h", "A·h", "g", "overall %", "marginal %", "i/i_lim", "deposit"}, rows)
}

// printSensitivity shows what becomes of the answer if an assumption is off.
func (p *planned) printSensitivity(w io.Writer) {
	g := p.plan.Goal
	row := func(what string, charge, seconds, deposit, recovers float64, problem string) []string {
		hours := ""
		if seconds > 0 {
			hours = quantity.Digits(seconds/3600, 0)
		}
		if problem != "" {
			return []string{what, "out of reach", "", quantity.Digits(deposit*inGrams, 0), quantity.Digits(recovers*100, 0) + " %"}
		}
		return []string{what, quantity.Digits(charge*inAmpereHours, 0), hours, quantity.Digits(deposit*inGrams, 0), quantity.Digits(recovers*100, 0) + " %"}
	}
	rows := [][]string{row("as planned", g.Charge.Value, g.Duration.Value, g.Deposit.Value, g.Recovered.Value, "")}
	for _, v := range p.plan.Sensitivity() {
		rows = append(rows, row(v.What, v.Charge, v.Seconds, v.Deposit, v.Recovers, v.Problem))
	}
	printGrid(w, "If an assumption is off: what the target then takes, and what the planned charge then wins ("+letter(g.Charge.Mark)+")",
		[]string{"", "A·h needed", "h", "g by plan", "recovered"}, rows)
}
