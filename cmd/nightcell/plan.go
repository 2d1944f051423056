package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/daemon/report/plansheet"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// planOptions is what the flags of plan say about the answer rather than the cell.
type planOptions struct {
	config, cell, data, fromRuns     string
	write, page, plot, notice, taper string
	start                            time.Time
	compare                          []string
	asJSON, full                     bool
}

func newPlanCommand(s *shell) *cobra.Command {
	var o planOptions
	cmd := newCommand("plan", func(cmd *cobra.Command, _ []string) error { return o.run(cmd.Flags(), s) })
	flags := cmd.Flags()
	stateFlags(flags)
	flags.StringVar(&o.config, "config", "", "configuration `file` that describes the cell")
	flags.StringVar(&o.cell, "cell", "", "`name` of the cell in --config, if it has several")
	flags.BoolVar(&o.asJSON, "json", false, "print one JSON object; the key of a quantity ends in its unit")
	flags.BoolVar(&o.full, "full", false, "print every figure, all precautions and the sources")
	flags.StringVar(&o.plot, "plot", "", "plot bath, deposit, current efficiency and charge against time to a .svg or .png `file`")
	flags.StringVar(&o.page, "page", "", "write the whole plan with its plot to an .html `file`")
	flags.StringVar(&o.notice, "door-notice", "", "write a notice for the door to an .html `file`")
	timeFlag(flags, &o.start, "start", false, "write into the door notice that the run begins at this `time`, such as 2026-03-01T22:15:00+01:00, and when it ends")
	flags.StringVar(&o.write, "write", "", "write the cell and its target to a configuration `file` (.toml); add the port and limits to it")
	flags.StringArrayVar(&o.compare, "compare", nil, "compare the plan with another `quantity`: a current or a cathode area; may be repeated")
	flags.StringVar(&o.taper, "taper", "", "keep i/i_lim at this `share`, such as 0.33, and print the current steps")
	flags.StringVar(&o.fromRuns, "from-runs", "", "`name` of a cell: plan with the current efficiency, k_m and volts of its weighed or assayed runs; a flag takes precedence")
	flags.StringVar(&o.data, "data", "", "data `directory` of these runs; default: that of the configuration")
	return cmd
}

func (o *planOptions) run(flags *pflag.FlagSet, s *shell) error {
	d, err := o.stated(flags)
	if err != nil {
		return err
	}
	lesson, err := o.learn(flags, d)
	if err != nil {
		return err
	}
	subject, err := o.subject("planned", d)
	if err != nil {
		return err
	}
	subject.Lesson = lesson
	if err := o.extras(subject, d); err != nil {
		return err
	}
	if err := o.files(*subject, d); err != nil {
		return err
	}
	width, _ := columns(s.out)
	subject.Width = min(width, pipedColumns)
	r := plansheet.Of(*subject)
	if err := o.pageFile(r, *subject); err != nil {
		return err
	}
	r.Brief = !o.full
	if err := s.report(o.asJSON, r); err != nil || o.write == "" {
		return err
	}
	return s.tell(s.err, fmt.Sprintf("\n%s is written. Put the port and the limits into it, then: nightcell check --config %[1]s\n", o.write))
}

// subject makes the plan of a document. The error is a usageError that names flags.
func (o *planOptions) subject(name string, d document) (*plansheet.Subject, error) {
	cell, supply, err := d.read()
	if err != nil {
		return nil, err
	}
	order := cell.PlanOrder(supply)
	made, err := plan.New(order)
	if err != nil {
		return nil, d.flagMistakes(err)
	}
	if d.told != "" {
		made.Bath.Notes = append(made.Bath.Notes, d.told+".")
	}
	return &plansheet.Subject{Plan: made, Cell: cell.Name, Name: name, Left: d.left, Before: d.before, Wish: *cell.Target}, nil
}

// files writes the picture, the configuration and the page for the door.
func (o *planOptions) files(subject plansheet.Subject, d document) error {
	err := writeWhole("plot", o.plot, []string{".svg", ".png"}, func(w io.Writer) error {
		return plansheet.Draw(w, subject, strings.EqualFold(filepath.Ext(o.plot), ".svg"))
	})
	if errors.Is(err, plansheet.ErrNoTime) {
		return usagef("--plot %s: %w; state --current", o.plot, plansheet.ErrNoTime)
	} else if err != nil {
		return err
	}
	if o.write != "" {
		if err := d.write(o.write, subject.Plan); err != nil {
			return err
		}
	}
	if o.notice == "" && !o.start.IsZero() {
		return usagef("--start: it is for the door notice; add --door-notice FILE.html")
	}
	return writeWhole("door-notice", o.notice, htmlEndings, func(w io.Writer) error { return plansheet.WriteDoor(w, subject, o.start) })
}

// pageFile writes the answer as a page, with the picture if there is a time axis.
func (o *planOptions) pageFile(r *report.Report, s plansheet.Subject) error {
	return writeWhole("page", o.page, htmlEndings, func(w io.Writer) error {
		whole := *r
		var picture bytes.Buffer
		switch err := plansheet.Draw(&picture, s, true); {
		case err == nil:
			whole.Tables = append(slices.Clone(r.Tables), report.Table{Title: "Course of the run", Picture: picture.Bytes()})
		case !errors.Is(err, plansheet.ErrNoTime):
			return err
		}
		return whole.HTML(w)
	})
}

// extras adds what was asked for besides the plan itself.
func (o *planOptions) extras(subject *plansheet.Subject, d document) error {
	for _, text := range o.compare {
		v, err := quantity.ParseAny(text, quantity.Current, quantity.Area)
		if err != nil {
			return usagef("--compare: %w", err)
		}
		if subject.Wish.Form == bath.Marginal {
			return usagef("--compare %s: a marginal-energy target needs the cell voltage at that current and area; run a separate plan with the --cell-voltage measured there", text)
		}
		other := d.clone()
		other.drop(d.cell("working.voltage")) // it was measured at another current or area
		if v.Dimension == quantity.Current {
			other.set(d.cell("working.current"), text)
		} else {
			other.set(d.cell("electrodes.cathode_area"), text)
		}
		compared, err := o.subject(text, other)
		if err != nil {
			return fmt.Errorf("--compare %s: %w", text, err)
		}
		subject.Compared = append(subject.Compared, *compared)
	}
	if o.taper == "" {
		return nil
	}
	v, err := quantity.ParseAny(o.taper, quantity.Number, quantity.Fraction)
	if err != nil {
		return usagef("--taper: %w", err)
	}
	if subject.Taper, err = subject.Plan.Taper(v.SI); err != nil {
		return usagef("--taper %s: %w", o.taper, err)
	}
	return nil
}

// checkExtension refuses a file whose ending says that it is to be something else.
func checkExtension(flag, file string, endings ...string) error {
	if slices.Contains(endings, strings.ToLower(filepath.Ext(file))) {
		return nil
	}
	return usagef("--%s %s: give a file name that ends in %s", flag, file, strings.Join(endings, " or "))
}

// htmlEndings are those of a page.
var htmlEndings = []string{".html", ".htm"}

// writeWhole writes the file that a flag names, if it does, or leaves an error that says which.
func writeWhole(flag, file string, endings []string, write func(io.Writer) error) error {
	if file == "" {
		return nil
	}
	if err := checkExtension(flag, file, endings...); err != nil {
		return err
	}
	var whole bytes.Buffer // so that an earlier file stays where this one cannot be written
	err := write(&whole)
	if err == nil {
		err = runlog.WriteFileAtomic(runlog.Disk{}, file, whole.Bytes(), 0o644)
	}
	if err != nil {
		return fmt.Errorf("--%s: %w", flag, err)
	}
	return nil
}

// learn writes into the document what the runs of a cell gave: of the cell that --from-runs names, or of its own where efficiency.learned is set.
// nil: neither asks for it. What a flag states stays as it is.
func (o *planOptions) learn(flags *pflag.FlagSet, d document) (*books.Lesson, error) {
	cell, data := o.fromRuns, o.data
	if cell == "" && d.file != "" && d.get(d.cell("efficiency.learned")) == true {
		cell = d.cellName
	}
	switch {
	case cell == "" && data != "":
		return nil, usagef("--data %s: add --from-runs CELL, the cell whose runs to use", data)
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
	switch volts := lesson.Volts.Figure; {
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
