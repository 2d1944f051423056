package runlog

import (
	"fmt"
	"hash/crc32"
	"math"
	"strconv"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/drivers"
)

// castagnoli is CRC-32C (RFC 3720, appendix B.4).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// lineHead returns everything of a line that comes before the value of its first field.
func lineHead(kind Kind, cell, field string) ([]byte, error) {
	var e lineprotocol.Encoder
	e.StartLine(string(kind))
	e.AddTag("cell", cell)
	e.AddField(field, lineprotocol.IntValue(0))
	if err := e.Err(); err != nil {
		return nil, fmt.Errorf("the cell's name %q cannot stand in a log: %w", cell, err)
	}
	return e.Bytes()[:len(e.Bytes())-len("0i")], nil
}

// readingHead is lineHead's of a reading.
func readingHead(cell string) ([]byte, error) { return lineHead(KindReading, cell, "step") }

// appendReading appends a reading's line without the time stamp's help of an
// encoder, because this is the line that is written every poll. Numbers are the
// shortest that read back to the same bits.
func appendReading(b, head []byte, nanos int64, step time.Duration, volts, amperes float64, mode, output string) []byte {
	b = append(b, head...)
	b = strconv.AppendInt(b, int64(step), 10)
	b = append(b, "i,volts="...)
	b = appendNumber(b, volts)
	b = append(b, ",amperes="...)
	b = appendNumber(b, amperes)
	b = append(b, ",mode="...)
	b = appendString(b, mode)
	b = append(b, ",output="...)
	b = appendString(b, output)
	b = append(b, ' ')
	b = strconv.AppendInt(b, nanos, 10)
	return append(b, '\n')
}

// appendNumber appends the shortest decimal that reads back to the same bits. What a
// supply shows has few decimals, and for those there is a shorter way than for any number:
// n/10⁴, rounded once, is what the decimal reads back to.
func appendNumber(b []byte, x float64) []byte {
	const unit, most = 1e4, 1e9
	n := math.RoundToEven(x * unit)
	if !(math.Abs(n) < most) || n/unit != x || n == 0 {
		return strconv.AppendFloat(b, x, 'g', -1, 64)
	}
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	digits := uint32(n)
	b = strconv.AppendUint(b, uint64(digits/unit), 10)
	rest := digits % unit
	if rest == 0 {
		return b
	}
	b = append(b, '.', byte('0'+rest/1000), byte('0'+rest/100%10), byte('0'+rest/10%10), byte('0'+rest%10))
	for b[len(b)-1] == '0' {
		b = b[:len(b)-1]
	}
	return b
}

// appendString appends a string field's value in quotes, as drivers.Plain leaves it.
func appendString(b []byte, s string) []byte {
	s = drivers.Plain(s)
	b = append(b, '"')
	from := 0
	for i := range len(s) {
		c := s[i]
		if c != '"' && c != '\\' {
			continue
		}
		b = append(b, s[from:i]...)
		b = append(b, '\\', c)
		from = i + 1
	}
	b = append(b, s[from:]...)
	return append(b, '"')
}

// appendLine appends a line of any other kind. Fields whose value is a number that
// is not finite are left out. condition is a tag; empty: none.
func appendLine(b []byte, kind Kind, cell, condition string, nanos int64, fields []Field) ([]byte, error) {
	start := len(b)
	var e lineprotocol.Encoder
	e.SetBuffer(b)
	e.StartLine(string(kind))
	e.AddTag("cell", cell)
	if condition != "" {
		e.AddTag("condition", drivers.Plain(condition))
	}
	for _, f := range fields {
		if v, ok := value(f.Value); ok {
			e.AddField(f.Key, v)
		}
	}
	if err := e.Err(); err != nil {
		return b[:start], fmt.Errorf("a line of the kind %s cannot be written: %w", kind, err)
	}
	b = append(e.Bytes(), ' ')
	b = strconv.AppendInt(b, nanos, 10)
	return append(b, '\n'), nil
}

// plain reports whether key is made of lower-case letters, digits and underscores, as all of the log's own are.
func plain(key string) bool {
	for i := range len(key) {
		if c := key[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '_' {
			return false
		}
	}
	return key != ""
}
