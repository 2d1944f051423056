package main

import (
	"errors"
	"fmt"
	"maps"
	"strings"
	"text/tabwriter"
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
	kind   ledger.Kind
	where  dataFlags
	by     reach
	asJSON bool
}

func newBathCommand(s *shell) *cobra.Command {
	return (&shelf{shell: s, kind: ledger.OfBath}).command("Keep baths from run to run: metal put in, taken out by runs, and left",
		"Lists the baths and the metal left in each. A bath outlives a run: each run that ends is recorded once in the bath's ledger,\n"+
			"and the next run starts from what is left. The ledger starts with the first run of a cell. Its name is that of [bath] in the\n"+
			"configuration, else the cell's. Late entries of a run, such as its weighing, change what the run took. Another bath in the\n"+
			"configuration is reported with both figures; what is left counts.\n"+
			"close records that the bath was discarded: the next run starts a new one from the configuration. open starts one by hand.\n"+
			"Between runs, enter --bath NAME records additions, evaporation, samples and assays.",
		"open NAME (--config FILE [--cell CELL] | metal=Zn mass=… volume=…)",
		"  nightcell bath --config nightcell.toml\n  nightcell bath show zinc-1 --config nightcell.toml\n"+
			"  nightcell bath open pickle metal=Zn \"mass=56.8 g ± 0.9 g\" \"volume=0.9 L\" --data /var/lib/nightcell\n"+
			"  nightcell bath close zinc-1 \"handed over as waste\" --config nightcell.toml", openBath)
}

func newElectrodeCommand(s *shell) *cobra.Command {
	return (&shelf{shell: s, kind: ledger.OfElectrode}).command("Keep electrodes from run to run: material, masses, runs and deposit",
		"Lists the electrodes. An electrode outlives a run where the configuration names it: cathode_name and anode_name in [electrodes].\n"+
			"Its ledger holds the runs it was used in and the deposit it carries since it was last stripped. close records that it is spent.\n"+
			"Between runs, enter --electrode NAME records a weighing, a stripping or a new area.",
		"open NAME material=… [area=…] [before=…]",
		"  nightcell electrode --config nightcell.toml\n  nightcell electrode open al-3 material=aluminium \"area=60 cm2\" \"before=18.20 g\" --config nightcell.toml\n"+
			"  nightcell electrode close al-3 \"pitted\" --config nightcell.toml", openElectrode)
}

// command lists, shows, opens and closes the ledgers of a kind. fields reads what one is opened with.
func (l *shelf) command(short, long, open, example string, fields func(l *shelf, name string, values map[string]string, cell string) ([]runlog.Field, error)) *cobra.Command {
	name, cell := string(l.kind), ""
	add := func(use, short string, least, most int, do func(data, name string, rest []string) error) *cobra.Command {
		return &cobra.Command{Use: use, Short: short, Args: between(least, most, "nightcell "+name+" "+use),
			RunE: func(_ *cobra.Command, args []string) error {
				data, _, err := l.where.read()
				if err != nil {
					return err
				}
				args = append(args, "")
				if err := do(data, args[0], args[min(1, len(args)-1):len(args)-1]); err != nil {
					return mistake(err)
				}
				return nil
			}}
	}
	list := func(data, _ string, _ []string) error { return l.list(data) }
	cmd := add(name, short, 0, 0, list)
	cmd.Use, cmd.Long, cmd.Example, cmd.Args = name, long, example, between(0, 0, "nightcell "+name+" [list | show NAME | open NAME | close NAME]")
	opens := add(open, "Start a ledger by hand", 1, 99, func(data, of string, rest []string) error {
		values, text := splitArguments(rest)
		if !configs.Nameable(of) {
			return control.BadRequest("%q cannot be a name: letters, digits, - and _ are allowed", of)
		}
		stated, err := fields(l, of, values, cell)
		if err == nil {
			err = ledger.Open(data, l.kind, of, l.by.who(), text, time.Now(), stated...)
		}
		return l.done(err, data, of)
	})
	opens.Use = open
	opens.Flags().StringVar(&cell, "cell", "", "`name` of the cell whose configuration states it")
	cmd.AddCommand(
		add("list", "List the ledgers", 0, 0, list),
		add("show NAME", "Show a ledger with its runs and entries", 1, 1, func(data, of string, _ []string) error { return l.show(data, of) }),
		opens,
		add("close NAME [TEXT]", "Close a ledger: the bath was discarded, or the electrode is spent", 1, 99, func(data, of string, rest []string) error {
			return l.done(ledger.Close(data, l.kind, of, l.by.who(), strings.Join(rest, " "), time.Now()), data, of)
		}))
	flags := cmd.PersistentFlags()
	flags.StringVar(&l.where.data, "data", "", "data `directory`")
	flags.StringVar(&l.where.config, "config", "", "configuration `file` that names the data directory")
	flags.StringVar(&l.by.by, "by", "", "`name` to be noted in the ledger (default: the user's)")
	flags.BoolVar(&l.asJSON, "json", false, "print one JSON object")
	return cmd
}

// done shows what came of an act.
func (l *shelf) done(err error, data, name string) error {
	if err != nil {
		return err
	}
	return l.show(data, name)
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

func (l *shelf) show(data, name string) error {
	l.settled(data)
	r, err := l.sheet(data, name)
	if err != nil {
		return err
	}
	if l.asJSON {
		return printJSON(l.out, r.JSON())
	}
	return r.Text(l.out)
}

func (l *shelf) list(data string) error {
	l.settled(data)
	names, err := ledger.Names(data, l.kind)
	if err != nil {
		return err
	}
	all := []map[string]any{}
	w := tabwriter.NewWriter(l.out, 0, 0, 2, ' ', 0)
	for _, name := range names {
		r, err := l.sheet(data, name)
		if err != nil {
			return err
		}
		all = append(all, r.JSON())
		said := strings.TrimPrefix(r.Tables[0].Lines[0], string(l.kind)+" "+name+": ")
		for _, f := range append(r.Tables[0].Figures, r.Tables[min(1, len(r.Tables)-1)].Figures...) {
			if (f.Key == "left" || f.Key == "carries") && f.Label != "" {
				said += fmt.Sprintf("; %s %s", f.Label, f.String())
			}
		}
		fmt.Fprintf(w, "%s\t%s\n", drivers.Plain(name), said)
	}
	switch {
	case l.asJSON:
		return printJSON(l.out, map[string]any{string(l.kind) + "s": all})
	case len(names) == 0:
		_, err := fmt.Fprintf(l.out, "no %s has a ledger below %s yet; the first run of a cell that names it opens it\n", l.kind, data)
		return err
	}
	return w.Flush()
}

// openBath reads what a bath is opened with: by hand, else as the configuration of a cell states it.
func openBath(l *shelf, name string, values map[string]string, cell string) ([]runlog.Field, error) {
	if len(values) == 0 {
		return l.statedBath(name, cell)
	}
	s := books.Stated{Metal: values["metal"], Medium: values["medium"]}
	order := bath.Order{Contents: bath.Contents{Metal: s.Metal, Medium: matter.Medium(s.Medium)}, Target: bath.Target{Charge: matter.GivenFigure(1, 0)}}
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
func (s *shell) enterLedger(where *dataFlags, of ledger.Kind, name, kind string, e control.Entry, asJSON bool) error {
	data, _, err := where.read()
	if err != nil {
		return err
	}
	if kind == "list" {
		return mistake((&shelf{shell: s, kind: of, asJSON: asJSON}).show(data, name))
	}
	e.Kind = kind
	done, err := ledger.Enter(data, of, name, e, time.Now())
	if err = contradicted(err); err != nil {
		return mistake(err)
	}
	if asJSON {
		return printJSON(s.out, map[string]any{"entered": e, "name": done.Name, string(of): name, "notes": append([]string{}, done.Notes...)})
	}
	return s.lines(append([]string{fmt.Sprintf("%s entered for %s %s as %s", kind, of, name, done.Name)}, done.Notes...))
}
