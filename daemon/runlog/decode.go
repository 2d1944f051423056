package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/drivers"
)

// decoder turns lines into records. It remembers what is alike in most lines, so
// that a reading costs no allocation.
type decoder struct {
	head         []byte // of the last reading, up to and with "step="
	cell         string // that the head names
	mode, output string // of the last reading
}

// decode parses one line, without its line feed, into r. The error says why the line is not one of a log.
func (d *decoder) decode(line []byte, r *Record) error {
	if d.head != nil && d.reading(line, r) {
		return nil
	}
	return d.general(line, r)
}

// reading is the fast path: it takes exactly what appendReading writes and
// declines everything else, which may still be valid.
func (d *decoder) reading(line []byte, r *Record) bool {
	rest, ok := bytes.CutPrefix(line, d.head)
	if !ok {
		return false
	}
	step, rest := cutInteger(rest)
	volts, rest := cutNumber(after(rest, "i,volts="))
	amperes, rest := cutNumber(after(rest, ",amperes="))
	var supply drivers.Shown
	var ownVolts, ownAmperes float64
	if own := after(rest, ",supply_volts="); own != nil {
		supply.AtCell = true
		ownVolts, rest = cutNumber(own)
	}
	if own := after(rest, ",supply_amperes="); own != nil {
		supply.Metered = true
		ownAmperes, rest = cutNumber(own)
	}
	rest, supply.Silent = bytes.CutPrefix(rest, []byte(silentField))
	rest, held := bytes.CutPrefix(rest, []byte(heldField))
	supply.Volts, supply.Amperes, supply.AtCell = drivers.Volts(ownVolts), drivers.Amperes(ownAmperes), supply.AtCell || supply.Silent && !held
	mode, rest := cutString(after(rest, ",mode="), d.mode)
	output, rest := cutString(after(rest, ",output="), d.output)
	nanos, rest := cutInteger(after(rest, " "))
	if rest == nil || len(rest) != 0 || step < 0 {
		return false
	}
	d.mode, d.output = mode, output
	r.Kind, r.Cell, r.Condition, r.Nanos = KindReading, d.cell, "", nanos
	r.Step, r.Volts, r.Amperes, r.Mode, r.Output, r.Supply = time.Duration(step), volts, amperes, mode, output, supply
	r.Fields = r.Fields[:0]
	return true
}

// Each of these takes what it is named for from the front and returns what follows; nil if it is not there, so that
// the next one finds nothing either.

// after takes a lead.
func after(b []byte, lead string) []byte {
	if len(b) < len(lead) || string(b[:len(lead)]) != lead {
		return nil
	}
	return b[len(lead):]
}

// cutInteger takes a decimal integer.
func cutInteger(b []byte) (int64, []byte) {
	end := 0
	for end < len(b) && (b[end] == '-' || b[end]-'0' <= 9) {
		end++
	}
	n, err := strconv.ParseInt(string(b[:end]), 10, 64)
	if err != nil {
		return 0, nil
	}
	return n, b[end:]
}

// cutNumber takes a decimal number up to the next comma.
func cutNumber(b []byte) (float64, []byte) {
	end := bytes.IndexByte(b, ',')
	if end <= 0 {
		return 0, nil
	}
	for _, c := range b[:end] {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, nil
		}
	}
	x, err := strconv.ParseFloat(string(b[:end]), 64)
	if err != nil {
		return 0, nil
	}
	return x, b[end:]
}

// cutString takes a quoted string without escapes. When it equals last, last is
// returned, so that nothing is allocated.
func cutString(b []byte, last string) (string, []byte) {
	b = after(b, `"`)
	end := bytes.IndexByte(b, '"')
	if end < 0 {
		return "", nil
	}
	s, rest := b[:end], b[end+1:]
	if string(s) == last {
		return last, rest
	}
	if bytes.IndexByte(s, '\\') >= 0 || bytes.ContainsFunc(s, isControl) || !utf8.Valid(s) {
		return "", nil
	}
	return string(s), rest
}

// general parses any line by the whole grammar.
func (d *decoder) general(line []byte, r *Record) error {
	if len(line) == 0 {
		return errors.New("an empty line")
	}
	if i := bytes.IndexFunc(line, isControl); i >= 0 {
		return fmt.Errorf("a control character, 0x%02x", line[i])
	}
	*r = Record{Fields: r.Fields[:0]}
	dec := lineprotocol.NewDecoderWithBytes(line)
	if !dec.Next() {
		return errors.New("not line protocol")
	}
	name, err := dec.Measurement()
	if err != nil {
		return err
	}
	r.Kind = Kind(name)
	switch r.Kind {
	case KindReading, KindGap, KindAlarm, KindNotice, KindEntry, KindOutput, KindCheckpoint:
	default:
		return fmt.Errorf("%q is not a kind of line", name)
	}
	if err := r.tags(dec); err != nil {
		return err
	}
	if err := r.fields(dec); err != nil {
		return err
	}
	stamp, err := dec.TimeBytes()
	if err != nil {
		return err
	}
	if r.Nanos, err = strconv.ParseInt(string(stamp), 10, 64); err != nil {
		return errors.New("no time stamp")
	}
	if dec.Next() {
		return errors.New("more than one point")
	}
	if r.Kind == KindReading {
		return d.fromFields(line, r)
	}
	return nil
}

func (r *Record) tags(dec *lineprotocol.Decoder) error {
	for {
		key, val, err := dec.NextTag()
		if err != nil || key == nil {
			return err
		}
		switch string(key) {
		case "cell":
			r.Cell = string(val)
		case "condition":
			r.Condition = string(val)
		default:
			return fmt.Errorf("an unknown tag %q", key)
		}
	}
}

func (r *Record) fields(dec *lineprotocol.Decoder) error {
	for {
		key, val, err := dec.NextField()
		if err != nil || key == nil {
			return err
		}
		r.Fields = append(r.Fields, Field{string(key), val.Interface()})
	}
}

// fromFields moves a reading's fields to their places.
func (d *decoder) fromFields(line []byte, r *Record) error {
	step, ok := r.Integer("step")
	if !ok || step < 0 {
		return errors.New("a reading without its step")
	}
	var haveVolts, haveAmperes bool
	r.Step = time.Duration(step)
	r.Volts, haveVolts = r.Number("volts")
	r.Amperes, haveAmperes = r.Number("amperes")
	ownVolts, atCell := r.Number("supply_volts")
	ownAmperes, metered := r.Number("supply_amperes")
	silent := r.Flag("supply_silent")
	r.Supply = drivers.Shown{
		AtCell: atCell || silent && !r.Flag("volts_held"), Metered: metered, Silent: silent, Volts: drivers.Volts(ownVolts), Amperes: drivers.Amperes(ownAmperes),
	}
	if !haveVolts || !haveAmperes || math.IsInf(r.Volts, 0) || math.IsInf(r.Amperes, 0) || math.IsInf(ownVolts, 0) || math.IsInf(ownAmperes, 0) {
		return errors.New("a reading without its volts or amperes")
	}
	r.Mode, r.Output = r.Text("mode"), r.Text("output")
	r.Fields = r.Fields[:0]
	if head, err := readingHead(r.Cell); err == nil && bytes.HasPrefix(line, head) {
		d.head, d.cell = head, r.Cell
	}
	return nil
}

func isControl(r rune) bool { return r < 0x20 || r == 0x7f }

// Record is one line of a log. Reuse one for many calls of Reader.Next.
type Record struct {
	Kind      Kind
	Cell      string
	Condition string // tag of an alarm line
	Nanos     int64  // time stamp, Unix nanoseconds UTC

	// Of a reading.
	Step    time.Duration // monotonic, since the reading before; 0 for the first
	Volts   float64
	Amperes float64
	Mode    string
	Output  string
	Supply  drivers.Shown

	// Fields of every other kind, in the order of the line. Valid until the next call of Next.
	Fields []Field
}

// Time returns the time stamp.
func (r *Record) Time() time.Time { return time.Unix(0, r.Nanos).UTC() }

// Field is a named value: int64, float64, bool or string. Numbers are in SI units.
type Field struct {
	Key   string
	Value any
}

// Number makes a field of a number in SI units; one that is not finite is left out of the line.
func Number(key string, v float64) Field { return Field{key, v} }

// Integer makes a field of a whole number.
func Integer(key string, v int64) Field { return Field{key, v} }

// Flag makes a field of a truth value.
func Flag(key string, v bool) Field { return Field{key, v} }

// Text makes a field of a string; drivers.Plain makes it fit for a line.
func Text(key, v string) Field { return Field{key, v} }

// Number returns a numeric field, and false when there is none of that name.
func (r *Record) Number(key string) (float64, bool) {
	switch v := r.find(key).(type) {
	case float64:
		return v, true
	case int64:
		return float64(v), true
	}
	return 0, false
}

// Value returns a numeric field; an absent one is 0.
func (r *Record) Value(key string) float64 {
	x, _ := r.Number(key)
	return x
}

// Integer returns an integer field, and false when there is none of that name.
func (r *Record) Integer(key string) (int64, bool) {
	v, ok := r.find(key).(int64)
	return v, ok
}

// Flag returns a boolean field; an absent one is false.
func (r *Record) Flag(key string) bool {
	v, _ := r.find(key).(bool)
	return v
}

// Text returns a string field; an absent one is empty.
func (r *Record) Text(key string) string {
	v, _ := r.find(key).(string)
	return v
}

func (r *Record) find(key string) any {
	for i := range r.Fields {
		if r.Fields[i].Key == key {
			return r.Fields[i].Value
		}
	}
	return nil
}
