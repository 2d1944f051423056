package main

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// shelf is the command over one kind of ledger.
type shelf struct {
	*shell
	kind  ledger.Kind
	where dataFlags
	by    reach
}

// command lists, shows, opens and closes the ledgers of a kind. fields reads what one is opened with.
func (l *shelf) command(fields func(l *shelf, name string, values map[string]string, cell string) ([]runlog.Field, error)) *cobra.Command {
	cell := ""
	sub := func(verb string, do func(data, name string, rest []string) error) *cobra.Command {
		return newCommand(strings.TrimSpace(string(l.kind)+" "+verb), func(_ *cobra.Command, args []string) error {
			data, _, err := l.where.read()
			if err != nil {
				return err
			}
			name, rest := "", args
			if len(args) > 0 {
				name, rest = args[0], args[1:]
			}
			return mistake(do(data, name, rest))
		})
	}
	// change is a command that writes something down, and shows what has come of it.
	change := func(verb string, do func(data, name string, rest []string) error) *cobra.Command {
		return sub(verb, func(data, name string, rest []string) error {
			if err := do(data, name, rest); err != nil {
				return err
			}
			return l.show(data, name, nil)
		})
	}
	open := change("open", func(data, name string, rest []string) error {
		values, text := splitArguments(rest)
		if !configs.Nameable(name) {
			return control.BadRequest("%q cannot be a name: letters, digits, - and _ are allowed", name)
		}
		stated, err := fields(l, name, values, cell)
		if err != nil {
			return err
		}
		return ledger.Open(data, l.kind, name, l.by.who(), text, time.Now(), stated...)
	})
	open.Flags().StringVar(&cell, "cell", "", "`name` of the cell whose configuration states it")
	cmd := sub("", l.list)
	cmd.AddCommand(sub("list", l.list), sub("show", l.show), open, change("close", func(data, name string, rest []string) error {
		return ledger.Close(data, l.kind, name, l.by.who(), strings.Join(rest, " "), time.Now())
	}))
	flags := cmd.PersistentFlags()
	l.where.add(flags)
	flags.StringVar(&l.by.by, "by", "", "`name` to be noted in the ledger (default: the user's)")
	return cmd
}

// sheet reads one ledger, and takes in what ended runs took that nobody has written down yet.
func (l *shelf) sheet(data, name string) (*report.Report, error) {
	cell, run, err := ledger.InUse(data, l.kind, name)
	if err != nil {
		return nil, err
	}
	use := ""
	if run != "" {
		use = fmt.Sprintf("run %s of cell %s", run, cell)
	}
	if l.kind == ledger.OfElectrode {
		el, err := ledger.ReadElectrode(data, name)
		if err != nil {
			return nil, err
		}
		return el.Sheet(use), nil
	}
	b, err := ledger.ReadBath(data, name)
	if err != nil {
		return nil, err
	}
	return b.Sheet(use), nil
}

// settled makes up for what a watch that died could not write.
func (l *shelf) settled(data string) {
	if err := ledger.Settle(data, time.Now(), runlog.Patience); err != nil {
		fmt.Fprintf(l.err, "nightcell: not every run is in its ledger: %v\n", err)
	}
}

func (l *shelf) show(data, name string, _ []string) error {
	l.settled(data)
	r, err := l.sheet(data, name)
	if err != nil {
		return err
	}
	return l.report(false, r)
}

func (l *shelf) list(data, _ string, _ []string) error {
	l.settled(data)
	names, err := ledger.Names(data, l.kind)
	if err != nil {
		return err
	}
	var lines strings.Builder
	for _, name := range names {
		r, err := l.sheet(data, name)
		if err != nil {
			return err
		}
		said := strings.TrimPrefix(r.Tables[0].Lines[0], string(l.kind)+" "+name+": ")
		for _, f := range append(r.Tables[0].Figures, r.Tables[min(1, len(r.Tables)-1)].Figures...) {
			if (f.Key == "left" || f.Key == "carries") && f.Label != "" {
				said += fmt.Sprintf("; %s %s", f.Label, f.String())
			}
		}
		fmt.Fprintf(&lines, "%s\t%s\n", drivers.Plain(name), said)
	}
	if len(names) == 0 {
		fmt.Fprintf(&lines, "no %s has a ledger below %s yet; the first run of a cell that names it opens it\n", l.kind, data)
	}
	return l.table(func(w io.Writer) { fmt.Fprint(w, lines.String()) })
}

// openBath reads what a bath is opened with: by hand, else as the configuration of a cell states it.
func openBath(l *shelf, name string, values map[string]string, cell string) ([]runlog.Field, error) {
	if len(values) == 0 {
		return l.statedBath(name, cell)
	}
	s := books.Stated{Metal: values["metal"], Medium: values["medium"]}
	order := bath.Order{Contents: bath.Contents{Metal: s.Metal, Medium: matter.Medium(s.Medium)}, Target: bath.Target{Form: bath.Charge, Value: matter.GivenFigure(1, 0)}}
	var wrong []error
	for key, q := range map[string]struct {
		of   quantity.Dimension
		into *matter.Figure
	}{"mass": {quantity.Mass, &order.Contents.MetalMass}, "volume": {quantity.Volume, &order.Contents.Volume},
		"concentration": {quantity.MassConcentration, &order.Contents.Concentration}, "anolyte": {quantity.Volume, &order.Contents.AnolyteVolume}} {
		text, given := values[key]
		delete(values, key)
		if !given {
			continue
		}
		v, err := quantity.ParseAny(text, q.of)
		if err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", key, err))
		}
		*q.into = configs.Figure(v)
	}
	for key := range values {
		if key != "metal" && key != "medium" {
			wrong = append(wrong, fmt.Errorf("a bath has no %q; it has metal, medium, mass, concentration, volume, anolyte", key))
		}
	}
	if len(wrong) > 0 {
		return nil, control.BadRequest("%w", errors.Join(wrong...))
	}
	plan, err := bath.NewPlan(order)
	if err != nil {
		return nil, control.BadRequest("not a bath: %w", err)
	}
	s = books.StatedOf(plan, order.Contents.Concentration.Known(), order.Contents.AnolyteVolume)
	return ledger.StatedFields(s), nil
}

// statedBath takes a bath from the configuration of the cell that names it.
func (l *shelf) statedBath(name, cell string) ([]runlog.Field, error) {
	_, cfg, err := l.where.read()
	if err != nil {
		return nil, err
	}
	if cfg == nil {
		return nil, control.BadRequest("say what is in the bath: metal=Zn \"mass=56.8 g\" \"volume=0.9 L\", or --config FILE of a cell that names it")
	}
	for i := range cfg.Cells {
		c := &cfg.Cells[i]
		if c.Bath == nil || c.Target == nil || cell != "" && c.Name != cell || c.Bath.Name != name {
			continue
		}
		plan, err := c.Plan(cfg.Supply(c.Supply))
		if err != nil {
			return nil, err
		}
		return ledger.StatedFields(books.StatedBy(c, plan)), nil
	}
	return nil, control.BadRequest("no cell of %s names bath %s; state metal, mass and volume, or [bath] name = %q in the cell", l.where.config, name, name)
}

// openElectrode reads what an electrode is opened with, in the fields of an entry.
func openElectrode(_ *shelf, _ string, values map[string]string, _ string) ([]runlog.Field, error) {
	weighed := map[string]string{}
	if before, ok := values["before"]; ok {
		weighed["before"] = before
		delete(values, "before")
	}
	values[bath.Electrode] = "electrode"
	e, err := control.ParseEntry(bath.EntryElectrode, values, "")
	if err != nil {
		return nil, err
	}
	w, err := control.ParseEntry(bath.EntryWeighing, weighed, "")
	if err != nil {
		return nil, err
	}
	maps.Copy(e.Numbers, w.Numbers)
	delete(e.Words, bath.Electrode)
	return e.LogFields()[1:], nil
}

// enterLedger writes an entry into a ledger, or lists what stands there.
func (s *shell) enterLedger(where *dataFlags, of ledger.Kind, name, kind string, e control.Entry) error {
	data, _, err := where.read()
	if err != nil {
		return err
	}
	if kind == "list" {
		return mistake((&shelf{shell: s, kind: of}).show(data, name, nil))
	}
	e.Kind = kind
	done, err := ledger.Enter(data, of, name, e, time.Now())
	if err != nil {
		return mistake(contradicted(err))
	}
	return s.showEntered(fmt.Sprintf("%s entered for %s %s as %s", kind, of, name, done.Name), done)
}
