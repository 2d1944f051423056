package books

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// Intake makes a run of readings that were measured elsewhere.
type Intake struct {
	Data, Cell             string             // where the run goes
	Name                   string             // of the table, for errors and the log
	Frozen                 []byte             // the configuration to be kept with the run; empty: none
	Settings               integrate.Settings // accuracies; GapAfter is taken from the pace of the readings
	Begin                  time.Time          // of a table whose times are seconds
	MostVolts, MostAmperes float64            // that the supply can put out; 0 or NaN: nobody stated it
	Columns                map[string]string  // head of the column of time, volts, amperes, where it is not plain
}

// Taken is what was taken in.
type Taken struct {
	Run      string // its directory
	Columns  string // which were read
	Readings int64
}

// overRange is how far above its range a supply may read. Common practice, no source.
const overRange = 1.1

// leastGap is the shortest default of a gap.
const leastGap = 10 * time.Second

// Take reads a table in constant memory into a run that has ended. It is put in place whole, or not at all; the error names the line.
func (in Intake) Take(from io.Reader) (done Taken, err error) {
	t, err := in.open(from)
	if err != nil {
		return done, err
	}
	first, err := in.next(t)
	if errors.Is(err, io.EOF) {
		err = t.bad("there are no readings below the header")
	}
	if err != nil {
		return done, err
	}
	now, begin := time.Now(), in.Begin.UTC() // the pace of the log too; nothing of it is written
	if t.utc {
		begin = first.at
	}
	switch {
	case begin.IsZero():
		return done, t.bad("its times are numbers; give the start of the run with --begin, such as --begin 2026-01-10T20:00:00Z")
	case !in.Begin.IsZero() && !in.Begin.Equal(begin):
		return done, t.bad(fmt.Sprintf("its times are dates and begin at %s, not at %s; leave --begin out", begin.Format(time.RFC3339), in.Begin.Format(time.RFC3339)))
	case begin.After(now.Add(24 * time.Hour)): // more than any zone makes
		return done, t.bad(fmt.Sprintf("the run would begin at %s, in the future; look at the year", begin.Format(time.RFC3339)))
	}
	at := filepath.Join(runlog.CellDir(in.Data, in.Cell), begin.Format(runlog.NameLayout))
	if err := in.free(at); err != nil {
		return done, err
	}
	if err := os.MkdirAll(in.Data, 0o750); err != nil {
		return done, fmt.Errorf("importing a run: %w", err)
	}
	staging, err := os.MkdirTemp(in.Data, "import-")
	if err != nil {
		return done, fmt.Errorf("importing a run: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(staging)) }()
	w, err := runlog.Create(staging, in.Cell, begin, in.Frozen, runlog.Options{Sync: time.Hour, FS: gathering{}, Now: func() time.Time { return now }})
	if err != nil {
		return done, err
	}
	done.Readings, err = in.copy(w, t, first, begin)
	if err = errors.Join(err, w.Health().Cause, w.Close()); err != nil {
		return done, err
	}
	if err := os.MkdirAll(filepath.Dir(at), 0o750); err != nil {
		return done, fmt.Errorf("importing a run: %w", err)
	}
	if err := os.Rename(w.Run(), at); err != nil {
		return done, fmt.Errorf("storing the run: %w", err)
	}
	done.Run = at
	done.Columns = fmt.Sprintf("time from %q, volts from %q, amperes from %q", t.head[t.found[0].index], t.head[t.found[1].index], t.head[t.found[2].index])
	return done, runlog.Disk{}.SyncDir(filepath.Dir(at))
}

// free refuses a place that is taken, and one behind which the watch would no longer find its own open run.
func (in Intake) free(at string) error {
	if _, err := os.Stat(at); err == nil {
		return fmt.Errorf("%s exists; a run is never overwritten", at)
	}
	last, ended, err := runlog.LatestRun(in.Data, in.Cell)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !ended && last < at:
		return fmt.Errorf("cell %s has an open run, %s, that a newer run would hide; import under another name with --cell", in.Cell, last)
	}
	return nil
}

// copy writes the run.
func (in Intake) copy(w *runlog.Writer, t *table, first row, begin time.Time) (n int64, err error) {
	second, err := in.next(t)
	if errors.Is(err, io.EOF) {
		err = t.bad("only one reading; at least two are needed")
	}
	if err != nil {
		return 0, err
	}
	in.Settings.GapAfter = max(leastGap, 5*second.since(first))
	c := integrate.NewCoulometer(in.Settings)
	if err := w.Begin(begin, in.Settings, importText+filepath.Base(in.Name)); err != nil {
		return 0, err
	}
	evidence := integrate.Evidence{OnBefore: true, OnAfter: true} // of the supply nothing else is known
	before, at := first, begin
	for r := first; ; n++ {
		step := r.since(before)
		if n > 0 && step <= 0 {
			return n, t.bad("its time is not after that of the line before; sort the table by time, and leave repeated readings out")
		}
		s, err := c.Add(integrate.Sample{At: r.since(first), Volts: r.volts, Amperes: r.amperes}, evidence)
		if err != nil {
			return n, t.bad(fmt.Sprintf("the reading cannot be counted because of its time or a value: %v", err))
		}
		at = begin.Add(r.since(first))
		if s.IsGap {
			err = w.Gap(at, "silent", s.Gap, evidence)
		}
		if err = errors.Join(err, w.Reading(at, step, r.volts, r.amperes, "", "", drivers.Shown{})); err != nil {
			return n, err
		}
		if w.CheckpointDue() {
			if err := w.Checkpoint(at, c); err != nil {
				return n, err
			}
		}
		before = r
		if n == 0 {
			r = second
		} else if r, err = in.next(t); errors.Is(err, io.EOF) {
			n++
			break
		} else if err != nil {
			return n, err
		}
	}
	total := c.Totals()
	return n, errors.Join(w.Checkpoint(at, c), w.Entry(at, runlog.EntryEnd, "the table ends", runlog.Number("charge_coulombs", total.Charge), runlog.Number("energy_joules", total.Energy)), w.Checkpoint(at, c))
}

// next reads the next reading and holds it against the supply.
func (in Intake) next(t *table) (row, error) {
	r, err := t.next()
	switch {
	case err != nil:
	case in.MostVolts > 0 && math.Abs(r.volts) > overRange*in.MostVolts:
		err = t.bad(fmt.Sprintf("%g V are above the %g V that the supply can put out; is the column in mV?", r.volts, in.MostVolts))
	case in.MostAmperes > 0 && math.Abs(r.amperes) > overRange*in.MostAmperes:
		err = t.bad(fmt.Sprintf("%g A are above the %g A that the supply can put out; is the column in mA?", r.amperes, in.MostAmperes))
	}
	return r, err
}

// gathering is the disk with writes gathered to blocks and made durable once: nobody is told of a run before all of it is there.
type gathering struct{ runlog.Disk }

func (g gathering) OpenFile(name string, flag int, perm fs.FileMode) (runlog.File, error) {
	f, err := g.Disk.OpenFile(name, flag, perm)
	if err != nil || flag&os.O_RDWR == 0 && flag&os.O_WRONLY == 0 {
		return f, err
	}
	return &gathered{f, bufio.NewWriterSize(f, 1<<20)}, nil
}

type gathered struct {
	runlog.File
	to *bufio.Writer
}

func (g *gathered) Write(b []byte) (int, error) { return g.to.Write(b) }
func (g *gathered) Sync() error                 { return nil } // Close does
func (g *gathered) Close() error                { return errors.Join(g.to.Flush(), g.File.Sync(), g.File.Close()) }

// bad makes an error that names the line.
func (t *table) bad(text string) error {
	return fmt.Errorf("%s, line %d: %s", t.name, t.line, text)
}

// read returns the next line that holds something, without its end; it is valid until the next call.
func (t *table) read() ([]byte, error) {
	for {
		line, err := t.from.ReadSlice('\n')
		if len(line) > 0 {
			t.line++
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			return nil, t.bad("the line is longer than 64 KiB; this is not a table of readings")
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("reading %s: %w", t.name, err)
		}
		line = bytes.TrimSuffix(bytes.TrimSuffix(line, []byte("\n")), []byte("\r"))
		if len(line) > 0 && line[0] != '#' && (line[0] > ' ' || len(bytes.TrimSpace(line)) > 0) {
			return line, nil
		}
		if err != nil {
			return nil, io.EOF
		}
	}
}
