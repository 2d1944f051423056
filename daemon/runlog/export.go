package runlog

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"nightcell/drivers"
)

// readingColumns head the table of readings. The charge and energy are those
// counted up to and with the reading, gaps at their best value.
var readingColumns = []string{
	"time_utc", "elapsed_seconds", "step_seconds", "volts", "amperes", "mode", "output", "gap", "charge_coulombs", "energy_joules",
}

// cell makes text fit for a table: a spreadsheet takes what begins with one of these for a formula, so that an apostrophe comes
// before it. Numbers of our own do not pass here.
func cell(s string) string {
	s = drivers.Plain(s)
	if at := strings.TrimLeft(s, " "); at != "" && strings.ContainsAny(at[:1], "=+-@") || strings.HasPrefix(at, "＝") || strings.HasPrefix(at, "＋") || strings.HasPrefix(at, "－") || strings.HasPrefix(at, "＠") {
		return "'" + s
	}
	return s
}

// ExportReadings writes the readings of a run as CSV (RFC 4180) with one head line.
// Numbers read back to the same bits; times carry every nanosecond. Damaged lines are left
// out and named in the report. What is read goes to seen too, as in ReplayEach.
func ExportReadings(runDir string, to, seen io.Writer) (*Report, error) {
	row := make([]string, len(readingColumns))
	gaps := 0
	return exportTable(runDir, to, seen, readingColumns, false, func(r *Record, p *Replay) []string {
		if r.Kind != KindReading {
			return nil
		}
		t := p.Coulometer.Totals()
		copy(row, []string{
			r.Time().Format(time.RFC3339Nano), decimalSeconds(t.Elapsed), decimalSeconds(r.Step),
			shortest(r.Volts), shortest(r.Amperes), cell(r.Mode), cell(r.Output),
			strconv.FormatBool(t.Gaps > gaps), shortest(t.Charge), shortest(t.Energy),
		})
		gaps = t.Gaps
		return row
	})
}

// exportTable writes a row of each record that has one, and a head line where there is a log. Of a log that cannot be read to its end it
// writes what there is before.
func exportTable(runDir string, to, seen io.Writer, columns []string, late bool, row func(*Record, *Replay) []string) (*Report, error) {
	out := csv.NewWriter(to)
	head := sync.OnceFunc(func() { _ = out.Write(columns) }) // out.Error has it
	put := func(r *Record, p *Replay) error {
		head()
		if cells := row(r, p); cells != nil {
			return out.Write(cells)
		}
		return nil
	}
	report, err := ReplayEach(runDir, put, seen)
	if err == nil && late {
		var l *Late
		l, err = ReadLate(runDir)
		for i := 0; err == nil && i < len(l.Records); i++ {
			err = put(&l.Records[i], nil)
		}
	}
	if err == nil {
		head()
	}
	out.Flush()
	return report, cmp.Or(err, out.Error())
}

var eventColumns = []string{"time_utc", "record", "kind", "condition", "text", "fields", "name"}

// ExportEvents writes everything but readings and checkpoints as CSV, late entries last. The column
// fields holds the other fields as name=value, apart by semicolons, and name what an entry is called.
func ExportEvents(runDir string, to, seen io.Writer) (*Report, error) {
	return exportTable(runDir, to, seen, eventColumns, true, func(r *Record, _ *Replay) []string {
		if r.Kind == KindReading || r.Kind == KindCheckpoint {
			return nil
		}
		condition, name := r.Condition, ""
		if r.Kind == KindEntry {
			name = r.Name()
		}
		var rest []string
		for _, f := range r.Fields {
			switch f.Key {
			case "kind", "text":
			case "condition":
				condition = r.Text("condition")
			default:
				rest = append(rest, fmt.Sprintf("%s=%v", f.Key, f.Value))
			}
		}
		return []string{
			r.Time().Format(time.RFC3339Nano), cell(string(r.Kind)), cell(r.Text("kind")), cell(condition), cell(r.Text("text")), cell(strings.Join(rest, ";")), name,
		}
	})
}

// ExportLines writes the lines of the given kinds as they are, for any database
// that takes line protocol; no kinds means all of them.
func ExportLines(runDir string, to, seen io.Writer, kinds ...Kind) (*Report, error) {
	out := bufio.NewWriterSize(to, 64<<10)
	report, err := ReplayEach(runDir, func(rec *Record, p *Replay) error {
		if len(kinds) > 0 && !slices.Contains(kinds, rec.Kind) {
			return nil
		}
		_, err := out.Write(p.Line)
		return err
	}, seen)
	return report, cmp.Or(err, out.Flush())
}

func shortest(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// decimalSeconds writes a duration that is not negative in seconds, exactly.
func decimalSeconds(d time.Duration) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%d.%09d", d/time.Second, d%time.Second), "0"), ".")
}
