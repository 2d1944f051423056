package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs/quantity"
	"nightcell/daemon/backup"
	"nightcell/daemon/late"
	"nightcell/daemon/ledger"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/matter"
)

func newVerifyCommand(s *shell) *cobra.Command {
	return newCommand("verify", func(_ *cobra.Command, args []string) error {
		run := runDirectory(args[0])
		if dir := ledgerDirectory(args[0]); dir != "" {
			return s.verifyLedger(dir)
		}
		p := s.progress(nil, "verifying "+filepath.Base(run), filepath.Join(run, runlog.LogName))
		report, err := runlog.ReplayEach(run, nil, p)
		p.end()
		if err != nil {
			return readingError(err)
		}
		beside, err := lookBeside(run)
		if err != nil {
			return err
		}
		sound := holdsRun(report) && report.Sound() && beside.sound()
		return soundOr(sound, s.table(func(w io.Writer) { printVerdict(w, run, report, beside) }))
	})
}

// soundOr is the end of a command that has shown what it found, err if it could not: a failure where it is not sound.
func soundOr(sound bool, err error) error {
	if err == nil && !sound {
		return errSilent
	}
	return err
}

// holdsRun tells whether anything of a run can be read in a log at all; an empty log has nothing to be wrong.
func holdsRun(r *runlog.Report) bool { return r.Cell != "" }

// runDirectory lets the log itself be named in place of its directory.
func runDirectory(arg string) string {
	if filepath.Base(arg) == runlog.LogName {
		return filepath.Dir(arg)
	}
	return filepath.Clean(arg)
}

// readingError makes a run that is not there, or may not be read, a mistake on the command line.
func readingError(err error) error {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.ENOTDIR) {
		return usageError{err}
	}
	return err
}

func printVerdict(w io.Writer, run string, r *runlog.Report, beside *beside) {
	t := r.Totals
	if holdsRun(r) {
		run += " (cell " + r.Cell + ")"
	}
	fmt.Fprintf(w, "run\t%s\n", run)
	fmt.Fprintf(w, "log\t%d bytes, %d lines, %d readings, %d checkpoints\n", r.Bytes, r.Lines, r.Readings, r.Checkpoints)
	fmt.Fprintf(w, "time\t%s, of it %s observed; gaps: %d\n", quantity.Duration(t.Elapsed.Round(time.Second)), quantity.Duration(t.Observed.Round(time.Second)), t.Gaps)
	fmt.Fprintf(w, "charge\t%s (k = %d)\n", report.Show(matter.Figure{Value: t.Charge, StandardUncertainty: t.StandardUncertainty}, report.AmpereHours), integrate.CoverageFactor)
	if t.Gaps > 0 {
		fmt.Fprintf(w, "gaps\t%s A·h of it, and %s W·h of the energy\n",
			quantity.Between(t.GapLow/3600, t.GapHigh/3600, "to"), quantity.Between(t.EnergyGapLow/3600, t.EnergyGapHigh/3600, "to"))
	}
	fmt.Fprintf(w, "energy\t%s W·h (k = %d)\n", quantity.WithDoubt(t.Energy/3600, integrate.CoverageFactor*t.EnergyStandardUncertainty/3600), integrate.CoverageFactor)
	if r.Carried != nil {
		fmt.Fprintf(w, "carried\t%.5g A·h were counted in the log before this one, which has their readings\n", r.Carried.Charge/3600)
	}
	printDamage(w, "damage", "", r.Damage)
	if more := r.DamageCount - int64(len(r.Damage)); more > 0 {
		fmt.Fprintf(w, "damage\tat %d more places\n", more)
	}
	for _, m := range r.Mismatches {
		fmt.Fprintf(w, "mismatch\tthe line at byte %d does not follow from the readings before it: %s\n", m.Offset, mismatchWords(&m))
	}
	if r.LostLines > 0 {
		fmt.Fprintf(w, "lost\t%d lines were never written: disk and memory were full\n", r.LostLines)
	}
	if r.UncheckedBytes > 0 {
		fmt.Fprintf(w, "unchecked\t%d bytes after the last checkpoint are not verifiable\n", r.UncheckedBytes)
	}
	if r.TornBytes > 0 {
		fmt.Fprintf(w, "torn\t%d bytes at the end are an incomplete line; the next start removes them\n", r.TornBytes)
	}
	beside.print(w)
	switch {
	case !holdsRun(r):
		fmt.Fprint(w, "verdict\tnot a run log: no line of it can be read as a record of a cell\n")
	case r.Sound() && !beside.sound():
		fmt.Fprint(w, "verdict\tthe log is sound, but its late entries or photos are NOT: see above\n")
	case r.Sound():
		fmt.Fprint(w, "verdict\tsound: every stored total follows from the readings\n")
	default:
		fmt.Fprint(w, "verdict\tNOT sound: see above; the next checkpoint carries the totals past the damage\n")
	}
}

// mismatchWords says what differs. The totals are named only where they do, for a checkpoint can differ in another figure.
func mismatchWords(m *runlog.Mismatch) string {
	var said []string
	if m.Stored != m.Replayed {
		said = append(said, fmt.Sprintf("it says %.9g C, they give %.9g C", m.Stored, m.Replayed))
	}
	if m.StoredJoules != m.ReplayedJoules {
		said = append(said, fmt.Sprintf("it says %.9g J, they give %.9g J", m.StoredJoules, m.ReplayedJoules))
	}
	return strings.Join(append(said, m.Figures...), "; ")
}

// beside is what stands beside a log.
type beside struct {
	*runlog.Late
	photos []string // what is wrong with them
}

// lookBeside checks the late entries of a run, and every photo that was copied in.
func lookBeside(run string) (*beside, error) {
	entries, err := runlog.ReadLate(run)
	if err != nil {
		return nil, err
	}
	all, err := runlog.PersonsEntries(run)
	if err != nil {
		return nil, err
	}
	return &beside{entries, late.CheckPhotos(run, all)}, nil
}

func (b *beside) sound() bool { return b.Sound() && len(b.photos) == 0 }

func (b *beside) print(w io.Writer) {
	if n := len(runlog.Counting(b.Records)); n > 0 {
		fmt.Fprintf(w, "late\tentries beside the log that count: %d; nightcell enter CELL list shows them\n", n)
	}
	printDamage(w, "late", " of "+runlog.LateName, b.Damage)
	for _, wrong := range b.photos {
		fmt.Fprintf(w, "late\t%s\n", drivers.Plain(wrong))
	}
}

// ledgerDirectory is the directory of a ledger, where it or its file is named; empty: something else is.
func ledgerDirectory(arg string) string {
	dir := filepath.Clean(arg)
	if filepath.Base(dir) == runlog.LedgerName {
		dir = filepath.Dir(dir)
	}
	if _, err := os.Stat(filepath.Join(dir, runlog.LedgerName)); err != nil {
		return ""
	}
	return dir
}

// verifyLedger checks a ledger and the logs of the runs that it names.
func (s *shell) verifyLedger(dir string) error {
	all, wrong, err := ledger.Verify(dir)
	if err != nil {
		return readingError(err)
	}
	sound := all.Sound() && len(wrong) == 0
	return soundOr(sound, s.table(func(w io.Writer) {
		fmt.Fprintf(w, "ledger\t%s, %d lines\n", dir, len(all.Records))
		printDamage(w, "damage", "", all.Damage)
		for _, text := range wrong {
			fmt.Fprintf(w, "run\t%s\n", drivers.Plain(text))
		}
		verdict := "sound: every line is as it was written, and every log that it names is that one"
		if !sound {
			verdict = "NOT sound: see above"
		}
		fmt.Fprintf(w, "verdict\t%s\n", verdict)
	}))
}

// printDamage shows the damaged stretches of a file.
func printDamage(w io.Writer, label, of string, damage []runlog.Damage) {
	for _, d := range damage {
		fmt.Fprintf(w, "%s\tbytes %d to %d%s: %s\n", label, d.From, d.To, of, d.Reason)
	}
}

func newBackupCommand(s *shell) *cobra.Command {
	var where dataFlags
	cmd := newCommand("backup", func(_ *cobra.Command, args []string) error {
		data, _, err := where.read()
		if err != nil {
			return err
		}
		p := s.progress(nil, "copying and verifying")
		done, err := backup.Copy(data, args[0], p)
		p.end()
		if err != nil {
			return readingError(fmt.Errorf("backup: %w", err))
		}
		return soundOr(len(done.Unsound)+len(done.Links) == 0, s.table(func(w io.Writer) {
			fmt.Fprintf(w, "%d files with %d bytes copied, %s among them\n", done.Files, done.Bytes, quantity.Count(done.Runs, "run"))
			for _, run := range done.Unsound {
				fmt.Fprintf(s.err, "nightcell: the log of %s is damaged; nightcell verify %[1]s shows where\n", drivers.Plain(run))
			}
			for _, link := range done.Links {
				fmt.Fprintf(s.err, "nightcell: %s is a symbolic link: the copy lacks it and what it points to\n", drivers.Plain(link))
			}
		}))
	})
	where.add(cmd.Flags())
	return cmd
}
