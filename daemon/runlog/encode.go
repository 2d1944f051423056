package runlog

import (
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/drivers"
	"nightcell/integrate"
)

// castagnoli is CRC-32C (RFC 3720, appendix B.4).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// readingHead returns everything of a reading's line that comes before the value of its first field.
func readingHead(cell string) ([]byte, error) {
	var e lineprotocol.Encoder
	e.StartLine(string(KindReading))
	e.AddTag("cell", cell)
	e.AddField("step", lineprotocol.IntValue(0))
	if err := e.Err(); err != nil {
		return nil, fmt.Errorf("the cell's name %q cannot be logged: %w", cell, err)
	}
	return e.Bytes()[:len(e.Bytes())-len("0i")], nil
}

// appendReading appends a reading's line without the time stamp's help of an
// encoder, because this is the line that is written every poll. Numbers are the
// shortest that read back to the same bits.
func appendReading(b, head []byte, nanos int64, step time.Duration, volts, amperes float64, mode, output string, supply drivers.Shown) []byte {
	b = append(b, head...)
	b = strconv.AppendInt(b, int64(step), 10)
	b = append(b, "i,volts="...)
	b = strconv.AppendFloat(b, volts, 'g', -1, 64)
	b = append(b, ",amperes="...)
	b = strconv.AppendFloat(b, amperes, 'g', -1, 64)
	if supply.AtCell && !supply.Silent {
		b = strconv.AppendFloat(append(b, ",supply_volts="...), float64(supply.Volts), 'g', -1, 64)
	}
	if supply.Metered {
		b = strconv.AppendFloat(append(b, ",supply_amperes="...), float64(supply.Amperes), 'g', -1, 64)
	}
	if supply.Silent {
		b = append(b, silentField...)
	}
	if held(&supply) {
		b = append(b, heldField...)
	}
	b = append(b, ",mode="...)
	b = appendString(b, mode)
	b = append(b, ",output="...)
	b = appendString(b, output)
	b = append(b, ' ')
	b = strconv.AppendInt(b, nanos, 10)
	return append(b, '\n')
}

// appendString appends a string field's value in quotes, as drivers.Plain leaves it.
func appendString(b []byte, s string) []byte {
	return append(append(append(b, '"'), escaped.Replace(drivers.Plain(s))...), '"')
}

var escaped = strings.NewReplacer(`"`, `\"`, `\`, `\\`)

// appendLine appends a line of any other kind. condition is a tag; empty: none. A sealed line vouches for itself.
func appendLine(b []byte, kind Kind, cell, condition string, nanos int64, fields []Field, sealed bool) ([]byte, error) {
	line, err := appendFields(b, kind, cell, condition, fields)
	switch {
	case err != nil:
		return b, err
	case sealed:
		return seal(line, len(b), nanos), nil
	}
	return fmt.Appendf(line, " %d\n", nanos), nil
}

// Numbers is the line of a record without its fields of text, for a database that can hold only numbers and would make a series of
// zeros of each; nil where nothing is left.
func (r *Record) Numbers() []byte {
	fields := slices.DeleteFunc(slices.Clone(r.Fields), func(f Field) bool {
		_, text := f.Value.(string)
		return text
	})
	if r.Kind == KindReading {
		fields = []Field{Integer("step", int64(r.Step)), Number("volts", r.Volts), Number("amperes", r.Amperes)}
		if r.Supply.AtCell && !r.Supply.Silent {
			fields = append(fields, Number("supply_volts", float64(r.Supply.Volts)))
		}
		if r.Supply.Metered && !r.Supply.Silent {
			fields = append(fields, Number("supply_amperes", float64(r.Supply.Amperes)))
		}
	}
	if len(fields) == 0 {
		return nil
	}
	line, _ := appendLine(nil, r.Kind, r.Cell, r.Condition, r.Nanos, fields, false) // it was one
	return line
}

// appendFields appends a line without its time stamp. Fields whose value is a number that is not finite are left out.
func appendFields(b []byte, kind Kind, cell, condition string, fields []Field) ([]byte, error) {
	var e lineprotocol.Encoder
	e.SetBuffer(b)
	e.StartLine(string(kind))
	e.AddTag("cell", cell)
	if condition != "" {
		e.AddTag("condition", drivers.Plain(condition))
	}
	for _, f := range fields {
		if text, ok := f.Value.(string); ok {
			f.Value = drivers.Plain(text)
		}
		if v, ok := lineprotocol.NewValue(f.Value); ok { // line protocol has no way to write a number that is not finite
			e.AddField(f.Key, v)
		}
	}
	if err := e.Err(); err != nil {
		return b, fmt.Errorf("a line of the kind %s cannot be written: %w", kind, err)
	}
	return e.Bytes(), nil
}

// Each method appends one line. The error says that the line is lost, or could not
// be a line; a disk that does not take it for the moment is no error (see Health). Times
// that do not increase are moved up to one nanosecond after the line before.

// As a program of the second form that knows neither field reads such a line, it counts the same charge.
const silentField, heldField = ",supply_silent=true", ",volts_held=true"

// held says that the volts of a reading are from before.
func held(supply *drivers.Shown) bool { return supply.Silent && !supply.AtCell }

// Reading appends a poll; step is the monotonic time since the reading before, 0 for the first, and supply what the supply showed where
// a second meter has measured. It allocates nothing.
func (w *Writer) Reading(utc time.Time, step time.Duration, volts, amperes float64, mode, output string, supply drivers.Shown) error {
	if !finite(volts) || !finite(amperes) || !finite(float64(supply.Volts)) || !finite(float64(supply.Amperes)) || step < 0 {
		return fmt.Errorf("a reading of %v V, %v A, %v after the last cannot be logged", volts, amperes, step)
	}
	if err := w.tellLost(utc, true); err != nil {
		return err
	}
	nanos := w.stamp(utc)
	if err := w.commit(appendReading(w.pending, w.head, nanos, step, volts, amperes, mode, output, supply), nanos, true); err != nil {
		return err
	}
	w.last.Nanos, w.last.Mode, w.last.Output = nanos, mode, output
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Gap appends what a step of the coulometer booked as a gap. It must stand just
// before the reading that ends it. kind is "late", "silent", "restart" or "suspend".
func (w *Writer) Gap(utc time.Time, kind string, g integrate.Gap, e integrate.Evidence) error {
	limit := e.LimitAmperes
	if !finite(limit) {
		limit = 0 // unknown, as for integrate
	}
	return w.append(utc, KindGap, "", []Field{
		Integer("index", int64(g.Index)), Text("kind", kind), Integer("length", int64(g.Length())),
		Number("best", g.Best), Number("low", g.Low), Number("high", g.High),
		Flag("on_before", e.OnBefore), Flag("on_after", e.OnAfter),
		Flag("same", e.SameInstrument), Flag("unchanged", e.SetPointsUnchanged),
		Number("limit", limit), Flag("restarted", e.Restarted), Flag("suspended", e.Suspended),
		Flag("switched", e.Switched), Flag("line_lost", e.LineLost),
	})
}

// evidence reads back what Gap wrote.
func evidence(r *Record) integrate.Evidence {
	limit, _ := r.Number("limit")
	return integrate.Evidence{
		OnBefore: r.Flag("on_before"), OnAfter: r.Flag("on_after"),
		SameInstrument: r.Flag("same"), SetPointsUnchanged: r.Flag("unchanged"),
		LimitAmperes: limit, Restarted: r.Flag("restarted"), Suspended: r.Flag("suspended"),
		Switched: r.Flag("switched"), LineLost: r.Flag("line_lost"),
	}
}

// Alarm appends a change of an alarm's state.
func (w *Writer) Alarm(utc time.Time, condition string, fields ...Field) error {
	return w.append(utc, KindAlarm, condition, fields)
}

// Notice appends a message that is to be delivered; notices.Write says which fields it has.
func (w *Writer) Notice(utc time.Time, fields ...Field) error {
	return w.append(utc, KindNotice, "", fields)
}

// Entry appends what a person, or the log itself, writes into the run.
func (w *Writer) Entry(utc time.Time, kind, text string, fields ...Field) error {
	if err := w.append(utc, KindEntry, "", append([]Field{Text("kind", kind), Text("text", text)}, fields...)); err != nil {
		return err
	}
	if kind == EntryEnd {
		w.ended = true
	}
	return nil
}

// Meter appends the entry that makes a replay do as Coulometer.SetMeter did.
func (w *Writer) Meter(utc time.Time, text string, m integrate.MeterSettings) error {
	fields := slices.DeleteFunc(fieldsOf(settingsTable(&integrate.Settings{Meter: m}, true)), func(f Field) bool { return !strings.HasPrefix(f.Key, "meter_") })
	return w.Entry(utc, EntryMeter, text, append(fields, Integer(formatField, Format))...)
}

// Output appends what was done to the supply's output and what came of it.
func (w *Writer) Output(utc time.Time, action, outcome, text string, extra ...Field) error {
	return w.append(utc, KindOutput, "", append([]Field{
		Text("action", action), Text("outcome", outcome), Text("text", text),
	}, extra...))
}

// Checkpoint appends the state of the coulometer, and whatever extra fields the
// watch needs to go on (their names must differ from the checkpoint's own).
func (w *Writer) Checkpoint(utc time.Time, c *integrate.Coulometer, extra ...Field) error {
	if err := w.tellLost(utc, false); err != nil {
		return err
	}
	if err := w.append(utc, KindCheckpoint, "", append(stateFields(c, w.crc, w.since, &w.last, w.ended), extra...)); err != nil {
		return err
	}
	w.crc, w.since = 0, 0
	w.checkpointAt = w.o.Now()
	return nil
}

func (w *Writer) append(utc time.Time, kind Kind, condition string, fields []Field) error {
	if err := w.tellLost(utc, false); err != nil {
		return err
	}
	nanos := w.stamp(utc)
	b, err := appendLine(w.pending, kind, w.cell, condition, nanos, fields, kind == KindCheckpoint)
	if err != nil {
		return err
	}
	w.urgent = w.urgent || kind == KindNotice || kind == KindEntry || kind == KindOutput
	return w.commit(b, nanos, false)
}

// tellLost puts an entry where lines are missing before the first line that
// follows them, when there is room for both.
func (w *Writer) tellLost(utc time.Time, isReading bool) error {
	if w.toldLines == w.health.LostLines {
		return nil
	}
	const both = 1 << 10
	if len(w.pending)-w.written+both > w.limit(isReading) {
		return w.lose(isReading)
	}
	lines, readings := w.health.LostLines-w.toldLines, w.health.LostReadings-w.toldReadings
	w.toldLines, w.toldReadings = w.health.LostLines, w.health.LostReadings
	return w.Entry(utc, EntryLost, "these lines could not be written and memory was full", Integer("lines", lines), Integer("readings", readings))
}
