package main

import (
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"nightcell/daemon/runlog"
)

func newExportCommand(s *shell) *cobra.Command {
	var as, what, output string
	cmd := &cobra.Command{
		Use:   "export RUN",
		Short: "Write a run's log as CSV or line protocol",
		Long: "Writes a run for spreadsheets and programs (--as csv) or for a database that takes\n" +
			"InfluxDB line protocol (--as line-protocol). CSV of readings carries the charge and\n" +
			"energy counted up to each; numbers read back exactly. An apostrophe comes before a\n" +
			"text that a spreadsheet would take for a formula. Damaged lines are left out\n" +
			"and named, and the exit code is then 1.",
		Example: "  nightcell export /var/lib/nightcell/runs/zinc-1/20260110T200000Z --as csv > night.csv",
		Args:    oneRun,
		RunE: func(_ *cobra.Command, args []string) error {
			write, err := exporter(as, what)
			if err != nil {
				return err
			}
			return s.export(runDirectory(args[0]), output, write)
		},
	}
	cmd.Flags().StringVar(&as, "as", "csv", "the `form`: csv or line-protocol")
	cmd.Flags().StringVar(&what, "what", "", "which `lines`: readings, events (alarms, gaps, entries, ...) or, in line protocol, all; the default is readings for csv and all for line-protocol")
	cmd.Flags().StringVarP(&output, "output", "o", "", "write to this `file` instead of standard output")
	return cmd
}

type exportFunc func(runDir string, to io.Writer) (*runlog.Report, error)

func exporter(as, what string) (exportFunc, error) {
	lines := func(kinds ...runlog.Kind) exportFunc {
		return func(run string, to io.Writer) (*runlog.Report, error) { return runlog.ExportLines(run, to, kinds...) }
	}
	switch as + " " + what {
	case "csv ", "csv readings":
		return runlog.ExportReadings, nil
	case "csv events":
		return runlog.ExportEvents, nil
	case "line-protocol ", "line-protocol all":
		return lines(), nil
	case "line-protocol readings":
		return lines(runlog.KindReading), nil
	case "line-protocol events":
		return lines(runlog.KindGap, runlog.KindAlarm, runlog.KindNotice, runlog.KindEntry, runlog.KindOutput), nil
	}
	switch as {
	case "csv":
		return nil, usagef("--what %s: CSV holds either readings or events, because their columns differ", what)
	case "line-protocol":
		return nil, usagef("--what %s: choose readings, events or all", what)
	}
	return nil, usagef("--as %s: choose csv or line-protocol", as)
}

func (s *shell) export(run, output string, write exportFunc) (err error) {
	to := s.out
	if output != "" {
		f, err := os.OpenFile(output, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
		if errors.Is(err, os.ErrExist) {
			return usagef("%s exists already; choose another name, or remove it first", output)
		}
		if err != nil {
			return usageError{fmt.Errorf("opening the file to export to: %w", err)}
		}
		report, err := write(run, f)
		if err = errors.Join(err, f.Close()); err != nil {
			return readingError(errors.Join(err, os.Remove(output)))
		}
		return s.tellDamage(report)
	}
	report, err := write(run, to)
	if err != nil {
		return readingError(err)
	}
	return s.tellDamage(report)
}

func (s *shell) tellDamage(r *runlog.Report) error {
	if r.DamageCount == 0 {
		return nil
	}
	for _, d := range r.Damage {
		fmt.Fprintf(s.err, "nightcell: damaged: bytes %d to %d: %s\n", d.From, d.To, d.Reason)
	}
	return fmt.Errorf("the export is done, but the log is damaged at %d places; nightcell verify tells more", r.DamageCount)
}
