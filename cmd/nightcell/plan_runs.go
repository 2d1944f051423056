package main

import (
	"fmt"

	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// learn writes into the document what the runs of a cell gave: of the cell that --from-runs names, or of its own where efficiency.learned is set.
// nil: neither asks for it. What a flag states stays as it is.
func (o *planOptions) learn(flags *pflag.FlagSet, d document) (*books.Lesson, error) {
	cell, data := o.fromRuns, o.data
	if cell == "" && d.file != "" && d.get(d.cell("efficiency.learned")) == true {
		cell = d.cellName
	}
	switch {
	case cell == "" && data != "":
		return nil, usagef("--data %s: it says where the runs of --from-runs are; say of which cell", data)
	case cell == "":
		return nil, nil
	case data == "" && d.file == "":
		return nil, usagef("--from-runs %s: say where its runs are: --data DIRECTORY or --config FILE", cell)
	case data == "":
		data, _ = d.get("data").(string)
	}
	if o.fromRuns != "" { // a name that nobody had is a slip of the pen
		if _, err := books.List(data, books.Filter{Cell: cell}); err != nil {
			return nil, usagef("--from-runs %s: %w", cell, err)
		}
	}
	before, err := o.subject("planned", d)
	if err != nil {
		return nil, err
	}
	next := before.Plan.Bath
	lesson, err := new(books.Pupil).Learn(data, cell, next)
	if err != nil {
		return nil, fmt.Errorf("learning from the runs of cell %s: %w", cell, err)
	}
	first, transfer := lesson.Efficiency.Figure, lesson.MassTransfer.Figure
	if flags.Changed("efficiency") {
		first = matter.Figure{}
	}
	if flags.Changed("mass-transfer") {
		transfer = matter.Figure{}
	}
	if first.Known() || transfer.Known() {
		d.set(d.cell("efficiency.learned"), o.fromRuns == "")
		table, _ := d.table(d.cell("efficiency.learned"), true)
		configs.Teach(table, first, transfer)
	}
	volts := lesson.Volts.Figure
	switch {
	case !volts.Known() || flags.Changed("cell-voltage"):
	case elsewhere(next, lesson.Density):
		lesson.Notes = append(lesson.Notes, fmt.Sprintf("their volts are not taken: they were measured at %s A/m², and the plan is at another current density", quantity.Span(lesson.Density.Low, lesson.Density.High)))
	default:
		d.set(d.cell("working.voltage"), configs.TaughtVolts(volts))
	}
	return &lesson, nil
}

// elsewhere tells whether a plan works at a current density at which no run did, by more than a tenth.
func elsewhere(p *bath.Plan, runs matter.Range) bool {
	c := p.Conditions()
	if !c.Current.Known() || !c.CathodeArea.Known() || !runs.Known() {
		return false
	}
	density := c.Current.Value / c.CathodeArea.Value
	return density < 0.9*runs.Low || density > 1.1*runs.High
}
