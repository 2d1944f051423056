package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
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
	"nightcell/daemon/report/accountsheet"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
)

// dataFlags are the flags that say where the runs are.
type dataFlags struct{ data, config string }

func (d *dataFlags) add(flags *pflag.FlagSet) {
	flags.StringVar(&d.data, "data", "", "data `directory`")
	flags.StringVar(&d.config, "config", "", "configuration `file` that names the data directory")
}

// read returns the data directory, and the configuration if one is named.
func (d *dataFlags) read() (string, *configs.Config, error) {
	if d.config == "" {
		if d.data == "" {
			return "", nil, usagef("name the data directory: --data DIRECTORY or --config FILE")
		}
		return d.data, nil, nil
	}
	c, err := configs.Load(d.config)
	if err != nil {
		return "", nil, usageError{err}
	}
	if d.data == "" {
		d.data = c.Data
	}
	return d.data, c, nil
}

func newRunsCommand(s *shell) *cobra.Command {
	var where dataFlags
	var f books.Filter
	var asJSON bool
	cmd := newCommand("runs", func(*cobra.Command, []string) error {
		data, _, err := where.read()
		if err != nil {
			return err
		}
		if !f.Until.IsZero() && !f.Until.After(f.Since) {
			return usagef("--until %s: it is not after --since %s, so that no run can lie between them", f.Until.Format(time.RFC3339), f.Since.Format(time.RFC3339))
		}
		runs, err := books.List(data, f)
		if err != nil {
			return err
		}
		return s.show(asJSON, map[string]any{"runs": append([]books.Listed{}, runs...)}, func(w io.Writer) {
			found := ""
			if f.Weighed {
				found = "DEPOSIT, g\tEFFICIENCY, %\t"
			}
			fmt.Fprintln(w, "CELL\tSTART (UTC)\tDURATION\tCHARGE, A·h\t"+found+"STATE\tLATE ENTRIES\tRUN")
			for _, r := range runs {
				state := cmp.Or(r.Problem, "open")
				if r.Ended && r.Problem == "" {
					state = strings.TrimSuffix("ended: "+r.End, ": ")
				}
				if f.Weighed {
					found = fmt.Sprintf("%.4g\t%s\t", r.Deposit, quantity.WithDoubt(100*r.Efficiency, 100*integrate.CoverageFactor*r.EfficiencyUncertainty))
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s%s\t%s\t%s\n", r.Cell, r.Began.Format(time.DateTime), quantity.Duration(time.Duration(r.Elapsed*1e9).Round(time.Minute)),
					quantity.WithDoubt(r.Charge/3600, integrate.CoverageFactor*r.Uncertainty/3600), found, state, strings.Join(r.Late, ", "), filepath.Clean(r.Directory))
			}
		})
	})
	where.add(cmd.Flags())
	cmd.Flags().StringVar(&f.Cell, "cell", "", "only runs of this `cell`")
	timeFlag(cmd.Flags(), &f.Since, "since", true, "only runs started at or after this `time`, such as 2026-01-01 or 2026-01-10T20:00:00Z")
	timeFlag(cmd.Flags(), &f.Until, "until", true, "only runs started before this `time`")
	cmd.Flags().BoolVar(&f.Open, "open", false, "only runs that have not ended")
	cmd.Flags().StringVar(&f.End, "ended", "", "only runs whose end says so, such as 'target reached'; the list has the `words`")
	cmd.Flags().BoolVar(&f.Weighed, "weighed", false, "only runs with a weighed or assayed deposit, with their current efficiency")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.MarkFlagsMutuallyExclusive("open", "ended")
	return cmd
}

func newExportCommand(s *shell) *cobra.Command {
	var as, what, output string
	cmd := newCommand("export", func(_ *cobra.Command, args []string) error {
		write := exporters()[as][what]
		if write == nil {
			return usagef("--as %s, --what %q: choose csv with readings or events, whose columns differ, or line-protocol with readings, events or all", as, what)
		}
		return s.export(runDirectory(args[0]), output, write)
	})
	cmd.Flags().StringVar(&as, "as", "csv", "the `form`: csv or line-protocol")
	cmd.Flags().StringVar(&what, "what", "", "which `lines`: readings, events (alarms, gaps, entries, ...) or, in line protocol, all (default: readings for csv, all for line-protocol)")
	cmd.Flags().StringVarP(&output, "output", "o", "", "write to this `file` instead of standard output")
	return cmd
}

type exportFunc func(runDir string, to, seen io.Writer) (*runlog.Report, error)

// exporters are the functions that export, by form and lines.
func exporters() map[string]map[string]exportFunc {
	lines := func(kinds ...runlog.Kind) exportFunc {
		return func(run string, to, seen io.Writer) (*runlog.Report, error) {
			return runlog.ExportLines(run, to, seen, kinds...)
		}
	}
	return map[string]map[string]exportFunc{
		"csv": {"": runlog.ExportReadings, "readings": runlog.ExportReadings, "events": runlog.ExportEvents},
		"line-protocol": {"": lines(), "all": lines(), "readings": lines(runlog.KindReading),
			"events": lines(runlog.KindGap, runlog.KindAlarm, runlog.KindNotice, runlog.KindEntry, runlog.KindOutput)},
	}
}

func (s *shell) export(run, output string, write exportFunc) (err error) {
	var report *runlog.Report
	all := func(to io.Writer) (err error) {
		p := s.progress(to, "exporting "+filepath.Base(run), filepath.Join(run, runlog.LogName))
		defer p.end()
		report, err = write(run, to, p)
		return err
	}
	if output == "" {
		err = all(s.out)
	} else {
		err = writeNew("output", output, 0o640, all)
	}
	if err != nil {
		return readingError(err)
	}
	return s.tellDamage(report)
}

// writeNew writes the file that a flag names, which is not there yet, whole or not at all.
func writeNew(flag, file string, mode os.FileMode, write func(io.Writer) error) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, os.ErrExist) {
		return usagef("--%s %s: the file exists; choose another name, or move it away", flag, file)
	}
	if err != nil {
		return usageError{fmt.Errorf("opening the file to write: %w", err)}
	}
	if err = errors.Join(write(f), f.Close()); err != nil {
		return errors.Join(err, os.Remove(file))
	}
	return nil
}

func (s *shell) tellDamage(r *runlog.Report) error {
	if r.DamageCount == 0 {
		return nil
	}
	for _, d := range r.Damage {
		fmt.Fprintf(s.err, "nightcell: damaged: bytes %d to %d: %s\n", d.From, d.To, d.Reason)
	}
	return fmt.Errorf("exported, but the log is damaged in %d places; nightcell verify shows them", r.DamageCount)
}

func newImportCommand(s *shell) *cobra.Command {
	var where dataFlags
	var in books.Intake
	cmd := newCommand("import", func(cmd *cobra.Command, args []string) error {
		data, cfg, err := where.read()
		if err != nil {
			return err
		}
		if in.Cell == "" {
			return usagef("name the cell: --cell NAME")
		}
		in.Data, in.Name = data, args[0]
		if cfg != nil && cfg.Cell(in.Cell) != nil {
			cell := cfg.Cell(in.Cell)
			supply := cfg.Supply(cell.Supply)
			in.Settings, in.MostVolts, in.MostAmperes = cell.Coulometer(supply), supply.RangeVolts, supply.RangeAmperes
			if in.Frozen, err = cfg.Frozen(in.Cell); err != nil {
				return err
			}
		}
		f, err := os.Open(args[0])
		if err != nil {
			return usageError{fmt.Errorf("opening the table: %w", err)}
		}
		defer f.Close()
		p := s.progress(nil, "importing "+filepath.Base(args[0]), args[0])
		done, err := in.Take(io.TeeReader(f, p))
		p.end()
		if err != nil {
			return fmt.Errorf("nothing was imported: %w", err)
		}
		fmt.Fprintf(s.out, "%d readings imported, %s\n", done.Readings, strings.TrimSpace(done.Columns))
		fmt.Fprintf(s.out, "run %s; next: nightcell account %s\n", done.Run, done.Run)
		return nil
	})
	where.add(cmd.Flags())
	cmd.Flags().StringVar(&in.Cell, "cell", "", "`name` of the cell")
	timeFlag(cmd.Flags(), &in.Begin, "begin", true, "`time` of the first reading, for a table whose times are numbers")
	cmd.Flags().StringToStringVar(&in.Columns, "column", nil, "assign columns: `time=NAME`, volts=NAME, amperes=NAME")
	return cmd
}

func newAccountCommand(s *shell) *cobra.Command {
	var asJSON bool
	var page, check string
	cmd := newCommand("account", func(_ *cobra.Command, args []string) error {
		r, all, err := s.accountOf(args)
		switch {
		case err != nil:
			return err
		case check != "":
			return checkAccount(s.out, check, r, all)
		case page != "":
			return writeWhole("page", page, htmlEndings, r.HTML)
		}
		return s.report(asJSON, r)
	})
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object; the key of a quantity ends in its unit")
	cmd.Flags().StringVar(&page, "page", "", "write the account with its charts to an .html `file` (prints on two A4 sheets)")
	cmd.Flags().StringVar(&check, "check", "", "check a saved account, a .json or .html `file`, against the run's files")
	cmd.MarkFlagsMutuallyExclusive("json", "page", "check")
	return cmd
}

// report prints a report.
func (s *shell) report(asJSON bool, r *report.Report) error {
	if asJSON {
		return printJSON(s.out, r.JSON())
	}
	width, _ := columns(s.out)
	r.Width = min(width, pipedColumns)
	return r.Text(s.out)
}

// accountOf lays out the account of one run, or of two side by side.
func (s *shell) accountOf(dirs []string) (*report.Report, []*books.Books, error) {
	var all []*books.Books
	for _, dir := range dirs {
		dir = runDirectory(dir)
		p := s.progress(nil, "reading "+filepath.Base(dir), filepath.Join(dir, runlog.LogName))
		b, err := books.Read(dir, p)
		p.end()
		if err != nil {
			if err = readingError(err); errors.As(err, new(usageError)) {
				err = fmt.Errorf("%w; nightcell runs lists the runs", err)
			}
			return nil, nil, err
		}
		all = append(all, b)
	}
	r := accountsheet.Of(all[0])
	if len(all) == 2 {
		r = accountsheet.Beside(all[0], all[1])
	}
	return r, all, nil
}

// noAccount says why a file cannot be an account of these runs; empty: it may be one.
func noAccount(kept []byte, asPage bool, all []*books.Books) string {
	end := "}"
	if asPage {
		end = "</html>"
	}
	if kept = bytes.TrimSpace(kept); len(kept) == 0 {
		return "the file is empty"
	} else if !bytes.HasSuffix(kept, []byte(end)) {
		return "the file is cut off: it does not end in " + end
	}
	for _, b := range all {
		isOf := func(f books.File) bool { return f.SHA256 != "" && bytes.Contains(kept, []byte(f.SHA256)) } // the folder may have another name now
		if !bytes.Contains(kept, []byte(b.Run)) && !slices.ContainsFunc(b.Files, isOf) {
			return "the file is not of run " + b.Run
		}
	}
	return ""
}

// checkAccount holds a kept account against what its files give now.
func checkAccount(out io.Writer, file string, r *report.Report, all []*books.Books) error {
	if err := checkExtension("check", file, ".json", ".html"); err != nil {
		return err
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		return usageError{fmt.Errorf("reading the saved account: %w", err)}
	}
	asPage := strings.EqualFold(filepath.Ext(file), ".html")
	if wrong := noAccount(kept, asPage, all); wrong != "" {
		return usagef("--check %s: %s; it can be compared with nothing. Name an account as nightcell account RUN --json or --page FILE writes it", file, wrong)
	}
	same := true
	for _, b := range all {
		for _, f := range b.Files {
			switch {
			case f.SHA256 == "":
			case bytes.Contains(kept, []byte(f.SHA256)):
				fmt.Fprintf(out, "%s of run %s: unchanged, SHA-256 %s\n", f.Name, b.Run, f.SHA256)
			default:
				same = false
				fmt.Fprintf(out, "%s of run %s: CHANGED since the account was made\n", f.Name, b.Run)
			}
		}
		if !b.Sound() {
			same = false
			fmt.Fprintf(out, "run %s: damaged; nightcell verify shows where\n", b.Run)
		}
	}
	var now bytes.Buffer
	if asPage {
		err = r.HTML(&now)
	} else {
		err = printJSON(&now, r.JSON())
	}
	switch {
	case err != nil:
		return err
	case same && bytes.Equal(kept, now.Bytes()):
		fmt.Fprintln(out, "match: every figure of the account follows from these files")
		return nil
	case same:
		fmt.Fprintln(out, "NO MATCH: the files are unchanged but the account differs; it was edited, or made by another version of nightcell")
	default:
		fmt.Fprintln(out, "NO MATCH")
	}
	return errSilent
}
