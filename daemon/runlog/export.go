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
	out := csv.NewWriter(to)
	head := sync.OnceFunc(func() { _ = out.Write(readingColumns) }) // out.Error has it; without a log there is none
	row := make([]string, len(readingColumns))
	gaps := 0
	report, err := ReplayEach(runDir, func(r *Record, p *Replay) error {
		head()
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
		return out.Write(row)
	}, seen)
	if err == nil {
		head()
	}
	out.Flush() // also what was read before a log failed
	return report, cmp.Or(err, out.Error())
}

var eventColumns = []string{"time_utc", "record", "kind", "condition", "text", "fields", "name"}

// ExportEvents writes everything but readings and checkpoints as CSV, late entries last. The column
// fields holds the other fields as name=value, apart by semicolons, and name what an entry is called.
func ExportEvents(runDir string, to, seen io.Writer) (*Report, error) {
	out := csv.NewWriter(to)
	head := sync.OnceFunc(func() { _ = out.Write(eventColumns) }) // out.Error has it; without a log there is none
	row := func(r *Record, _ *Replay) error {
		head()
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
		return out.Write([]string{
			r.Time().Format(time.RFC3339Nano), cell(string(r.Kind)), cell(r.Text("kind")), cell(condition), cell(r.Text("text")), cell(strings.Join(rest, ";")), name,
		})
	}
	report, err := ReplayEach(runDir, row, seen)
	late := new(Late)
	if err == nil {
		late, err = ReadLate(runDir)
	}
	for i := 0; err == nil && i < len(late.Records); i++ {
		err = row(&late.Records[i], nil)
	}
	if err == nil {
		head()
	}
	out.Flush() // also what was read before a log failed
	return report, cmp.Or(err, out.Error())
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
