package main

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// planned is a cell with everything that was computed of it.
type planned struct {
	name     string
	cell     *configs.Cell
	supply   *configs.Supply
	plan     *bath.Plan
	cellNote []string // how gaps in the statement were filled
	fit      *bath.Fit
	// assessed is nil when neither current nor area is known: then nothing can be said of gas and heat.
	assessed *electrolysis.Assessment
}

// newPlanned computes the plan of a cell. The error is a usageError that names flags.
func newPlanned(name string, cell *configs.Cell, supply *configs.Supply, f *planFlags, assayed []string) (*planned, error) {
	p := &planned{name: name, cell: cell, supply: supply}
	order := cell.Order(supply)
	if err := p.readMeter(f, &order); err != nil {
		return nil, err
	}
	if err := p.assume(&order); err != nil {
		return nil, err
	}
	if len(assayed) > 0 {
		if err := p.fitAssays(assayed, &order); err != nil {
			return nil, err
		}
	}
	plan, err := bath.NewPlan(order)
	if err != nil {
		var list []string
		for _, m := range bath.Mistakes(err) {
			list = append(list, flagOf(m.Field)+strings.TrimPrefix(m.Error(), m.Field))
		}
		return nil, planMistakes(err, list)
	}
	p.plan = plan
	for _, salt := range order.Contents.Salts {
		if f, err := matter.ParseFormula(salt.Formula); err == nil && f.Count(plan.Metal.String()) > 0 && !salt.Assay.Known() {
			p.cellNote = append(p.cellNote, fmt.Sprintf("no assay of %s is stated: 100 %% is assumed, give or take %g %%", salt.Formula, 200*bath.AssayDoubt))
		}
	}
	if cell.Electrodes.SolubleAnode {
		p.cellNote = append(p.cellNote, "the drawdown is that of an anode that gives nothing back: with one that dissolves a share, a rest, or a marginal energy is no target, and a fall of the efficiency does not come; a deposit, a thickness or a charge is one")
	}
	return p, p.assess(order.Conditions)
}

// readMeter takes the accuracy of the supply from the flags.
func (p *planned) readMeter(f *planFlags, order *bath.Order) error {
	read := func(flag, text string, d quantity.Dimension, into *float64) error {
		if text == "" {
			return nil
		}
		v, err := quantity.Parse(d, text)
		if err != nil {
			return usagef("--%s: %w", flag, err)
		}
		*into = v
		return nil
	}
	if err := read("meter-gain", f.meterGain, quantity.Fraction, &order.Meter.GainRelative); err != nil {
		return err
	}
	return read("meter-offset", f.meterOffset, quantity.Current, &order.Meter.OffsetAmperes)
}

// leastGuess is the relative half-width that a guess from a narrow window still has.
const leastGuess = 0.2

// assume fills in the current from the area, or the area from the current, by the
// usual current density, so that time, gas and heat can be told at all.
func (p *planned) assume(order *bath.Order) error {
	c := &order.Conditions
	if c.Current.Known() == c.CathodeArea.Known() {
		return nil
	}
	metal, err := matter.LookUp(p.cell.Bath.Metal)
	if err != nil {
		return nil // the plan itself says what is wrong
	}
	window, ok := metal.Window(order.Contents.MediumTold())
	if !ok || !window.CurrentDensity.Known() {
		return nil
	}
	usual := window.CurrentDensity
	// Whoever stays within the window is at most its half-width off, a fifth as a rule.
	doubt := math.Max((usual.High-usual.Low)/2/usual.Middle(), leastGuess) / math.Sqrt(3)
	guess := func(value float64) matter.Figure {
		return matter.Figure{Value: value, StandardUncertainty: value * doubt, Mark: matter.Assumed, Source: "middle of the usual current density"}
	}
	plusMinus := fmt.Sprintf("give or take %.0f %%", 100*doubt*math.Sqrt(3))
	if c.Current.Known() {
		if order.Target.Thickness.Known() {
			return nil // the answer itself would rest on the guess
		}
		c.CathodeArea = guess(c.Current.Value / usual.Middle())
		p.cellNote = append(p.cellNote, fmt.Sprintf("no cathode area is stated: %s is assumed, %s, for the middle of the usual current density", quantity.Round(quantity.Area, c.CathodeArea.Value, 2), plusMinus))
		return nil
	}
	if !(c.CathodeArea.Value > 0) {
		return nil
	}
	c.Current = guess(c.CathodeArea.Value * usual.Middle())
	p.cellNote = append(p.cellNote, fmt.Sprintf("no current is stated: %s is assumed, %s, for the middle of the usual current density", quantity.Round(quantity.Current, c.Current.Value, 2), plusMinus))
	return nil
}

// assess says what else the cell does, if current and area are known.
func (p *planned) assess(conditions bath.Conditions) error {
	if !conditions.Current.Known() || !conditions.CathodeArea.Known() || !p.plan.Medium.Known() {
		return nil
	}
	c := p.cell.Conditions(p.plan, 0)
	c.Current, c.CathodeArea = conditions.Current, conditions.CathodeArea
	goal := p.plan.Goal
	molar := p.plan.Metal.Element.Weight.Value
	c.Efficiency.Value = goal.Overall
	c.FinalConcentration = matter.Figure{Value: goal.Left.Value / molar, Mark: goal.Left.Mark}
	a, err := electrolysis.Assess(c)
	if err != nil {
		return usageError{err}
	}
	p.assessed = &a
	return nil
}

// fitAssays replaces the mass transfer by the one that fits the assays.
func (p *planned) fitAssays(texts []string, order *bath.Order) error {
	metal, err := matter.LookUp(p.cell.Bath.Metal)
	if err != nil {
		return nil // the plan itself says what is wrong
	}
	var assays []bath.Assay
	for _, text := range texts {
		a, err := parseAssay(text, metal.Element.Weight.Value)
		if err != nil {
			return usagef("--assayed %q: %w", text, err)
		}
		assays = append(assays, a)
	}
	if !order.Efficiency.Fraction.Known() || !order.Conditions.CathodeArea.Known() || !order.Contents.Volume.Known() {
		return usagef("--assayed: the fit needs --efficiency, --cathode-area and --volume too")
	}
	couple, err := metal.Couple(order.Contents.MediumTold(), order.Contents.Valence)
	if err != nil {
		return usagef("--assayed: %w", err)
	}
	fit, err := bath.FitTransfer(bath.Batch{
		Valence: couple.Valence, Volume: order.Contents.Volume.Value, Area: order.Conditions.CathodeArea.Value,
		Efficiency: order.Efficiency.Fraction.Value,
	}, metal.Element.Weight.Value, assays, false)
	if err != nil {
		return usagef("--assayed: %w", err)
	}
	p.fit = &fit
	order.Efficiency.Stirring, order.Efficiency.MassTransfer = "", fit.MassTransfer
	note := fmt.Sprintf("the mass transfer is fitted to %d assays: %s m/s", len(assays), withDoubt(fit.MassTransfer))
	if fit.AtLeast {
		note = fmt.Sprintf("the bath never became poor enough in %d assays to tell the mass transfer: it is at least %.1e m/s, and that is taken", len(assays), fit.MassTransfer.Value)
	}
	if fit.Misfit > 2 {
		note += fmt.Sprintf("; the assays scatter %.1f times as much as they should, so the efficiency or the model is off", fit.Misfit)
	}
	p.cellNote = append(p.cellNote, note)
	return nil
}

// parseAssay reads 'time, charge, concentration', and if they are stated the volume of
// the bath then and that of the sample.
func parseAssay(text string, molar float64) (bath.Assay, error) {
	parts := strings.Split(text, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	if len(parts) < 3 || len(parts) > 5 {
		return bath.Assay{}, fmt.Errorf("three quantities are needed, such as '6 h, 18 A h, 31 g/L', or with the volume of the bath then, and that of the sample, '6 h, 18 A h, 31 g/L, 0.88 L, 5 mL'; decimals take a point")
	}
	seconds, err := quantity.Parse(quantity.Time, parts[0])
	if err != nil {
		return bath.Assay{}, err
	}
	charge, err := quantity.Parse(quantity.Charge, parts[1])
	if err != nil {
		return bath.Assay{}, err
	}
	v, err := quantity.ParseAny(parts[2], quantity.MassConcentration, quantity.AmountConcentration)
	if err != nil {
		return bath.Assay{}, err
	}
	c := matter.Figure{Value: v.SI, StandardUncertainty: v.StandardUncertainty(), Mark: matter.Measured}
	if v.Dimension == quantity.AmountConcentration {
		c.Value, c.StandardUncertainty = c.Value*molar, c.StandardUncertainty*molar
	}
	a := bath.Assay{Seconds: seconds, Charge: charge, Concentration: c}
	for i, into := range []*float64{&a.Volume, &a.Sampled} {
		if len(parts) > 3+i {
			if *into, err = quantity.Parse(quantity.Volume, parts[3+i]); err != nil {
				return bath.Assay{}, err
			}
		}
	}
	return a, nil
}

var saltOfMistake = regexp.MustCompile(`^salts\[(\d+)\]\.(.+)$`)

// flagOf names the flag that states a field of an order.
func flagOf(field string) string {
	if match := saltOfMistake.FindStringSubmatch(field); match != nil {
		flag := "--salt-" + match[2]
		if match[2] == "formula" {
			flag = "--salt"
		}
		number, _ := strconv.Atoi(match[1]) // the pattern has digits only
		if number > 0 {
			flag += fmt.Sprintf(" (number %d)", number+1)
		}
		return flag
	}
	switch field {
	case "salts":
		return "--salt"
	case "target":
		return "target"
	case "target-concentration":
		return "--leave"
	case "meter":
		return "--meter-gain or --meter-offset"
	}
	return "--" + field
}
