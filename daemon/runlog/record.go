package runlog

import (
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/drivers"
)

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

// value turns a field's value into the encoder's; false leaves the field out,
// because line protocol has no way to write a number that is not finite.
func value(v any) (lineprotocol.Value, bool) {
	if s, ok := v.(string); ok {
		v = drivers.Plain(s)
	}
	return lineprotocol.NewValue(v)
}
