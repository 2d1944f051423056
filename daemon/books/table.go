package books

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// table reads readings out of a table in text, whose columns stand in any order.
type table struct {
	name   string
	from   *bufio.Reader
	line   int
	comma  byte
	head   []string
	found  [3]column
	wanted []int // of each column the quantity that it holds, or -1
	utc    bool  // times are dates, not numbers
	cells  [][]byte
}

// column is where a quantity stands, and how many SI units its unit is; 0: a date.
type column struct {
	index int
	scale float64
}

// row is one reading.
type row struct {
	at             time.Time // of a table with dates
	seconds        float64   // of one with numbers
	volts, amperes float64
}

func (r row) since(o row) time.Duration {
	if r.at.IsZero() {
		return time.Duration(math.Round((r.seconds - o.seconds) * 1e9))
	}
	return r.at.Sub(o.at)
}

// quantities are what is looked for: the words of its name, and those of its units.
var quantities = [...]struct {
	name, example string
	words         []string
	units         map[string]float64
}{
	{"time", "time_s", []string{"time", "t", "elapsed", "timestamp", "date", "datetime", "utc"}, map[string]float64{"s": 1, "sec": 1, "second": 1, "seconds": 1, "ms": 1e-3, "min": 60, "minutes": 60, "h": 3600, "hours": 3600}},
	{"volts", "voltage_V", []string{"volts", "voltage", "u", "v", "volt", "potential"}, map[string]float64{"v": 1, "volt": 1, "volts": 1, "mv": 1e-3}},
	{"amperes", "current_A", []string{"amperes", "current", "i", "a", "amps", "ampere", "amp", "ma"}, map[string]float64{"a": 1, "ampere": 1, "amperes": 1, "amp": 1, "amps": 1, "ma": 1e-3, "ka": 1e3}},
}

// open reads the head and finds the columns.
func (in Intake) open(from io.Reader) (*table, error) {
	t := &table{name: in.Name, from: bufio.NewReaderSize(from, 64<<10)}
	head, err := t.read()
	if errors.Is(err, io.EOF) {
		err = fmt.Errorf("%s is empty; it needs a header with the names and units of the columns", in.Name)
	}
	if err != nil {
		return nil, err
	}
	head = bytes.TrimPrefix(head, []byte("\ufeff"))
	t.comma = ','
	for _, c := range []byte{';', '\t'} {
		if bytes.IndexByte(head, c) >= 0 {
			t.comma = c
		}
	}
	if err := t.split(head); err != nil {
		return nil, err
	}
	for _, c := range t.cells {
		t.head = append(t.head, strings.TrimSpace(string(c)))
	}
	var wrong []string
	for i := range quantities {
		q := &quantities[i]
		named, asked := in.Columns[q.name]
		at := slices.IndexFunc(t.head, func(h string) bool {
			if asked {
				return h == named
			}
			for i, w := range tokens(h) { // a short word is a unit anywhere but in front
				if (i == 0 || len(w) > 2) && slices.Contains(q.words, w) {
					return true
				}
			}
			return false
		})
		if at < 0 {
			wrong = append(wrong, fmt.Sprintf("no column for the %s: name it in the header, such as %s, or with --column '%s=NAME'", q.name, q.example, q.name))
			continue
		}
		t.found[i].index = at
		for _, w := range tokens(t.head[at]) {
			if scale, ok := q.units[w]; ok {
				t.found[i].scale = scale
			}
		}
		if i > 0 && t.found[i].scale == 0 {
			wrong = append(wrong, fmt.Sprintf("the column %q has no unit of %s: write it in the header, such as %s", t.head[at], q.name, q.example))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(in.Columns)) {
		if !slices.Contains([]string{"time", "volts", "amperes"}, name) {
			wrong = append(wrong, fmt.Sprintf("--column %s=%s: there is no %q to be read; it is time, volts or amperes", name, in.Columns[name], name))
		}
	}
	if wrong != nil {
		return nil, t.bad(strings.Join(wrong, "; ") + ". The header is: " + strings.Join(t.head, ", "))
	}
	t.utc = t.found[0].scale == 0
	for i := range t.head {
		t.wanted = append(t.wanted, slices.IndexFunc(t.found[:], func(c column) bool { return c.index == i }))
	}
	return t, nil
}

// tokens are the words of a head in small letters: "U (V)" is u and v, "current_mA" current and ma.
func tokens(head string) []string {
	return strings.FieldsFunc(strings.ToLower(head), func(r rune) bool { return !unicode.IsLetter(r) })
}

// split cuts a line into cells.
func (t *table) split(line []byte) error {
	t.cells = t.cells[:0]
	if bytes.IndexByte(line, '"') >= 0 {
		r := csv.NewReader(bytes.NewReader(line))
		r.Comma = rune(t.comma)
		cells, err := r.Read()
		if err != nil {
			return t.bad("the quotes do not close: " + err.Error())
		}
		for _, c := range cells {
			t.cells = append(t.cells, []byte(c))
		}
		return nil
	}
	for cell := range bytes.SplitSeq(line, []byte{t.comma}) {
		t.cells = append(t.cells, cell)
	}
	return nil
}

// next reads the next reading.
func (t *table) next() (r row, err error) {
	line, err := t.read()
	if err != nil {
		return r, err
	}
	if t.plain(line, &r) {
		return r, nil
	}
	r = row{}
	if err := t.split(line); err != nil {
		return r, err
	}
	if len(t.cells) != len(t.head) && !(len(t.cells) == len(t.head)+1 && len(t.cells[len(t.head)]) == 0) {
		return r, t.bad(fmt.Sprintf("%d cells, but the header has %d", len(t.cells), len(t.head)))
	}
	if t.utc {
		cell := bytes.TrimSpace(t.cells[t.found[0].index])
		if r.at, err = date(cell); err != nil {
			if _, number := strconv.ParseFloat(string(cell), 64); number == nil {
				return r, t.bad(fmt.Sprintf("the time %s is a number, and its column %q has no unit: write it in the header, such as time_s", cell, t.head[t.found[0].index]))
			}
			return r, t.bad(err.Error())
		}
		r.at = r.at.UTC()
	} else if r.seconds, err = t.number(0); err != nil {
		return r, err
	}
	if r.volts, err = t.number(1); err != nil {
		return r, err
	}
	r.amperes, err = t.number(2)
	return r, err
}

// number reads the cell of a quantity in SI units, with a decimal point or comma.
func (t *table) number(quantity int) (float64, error) {
	c := t.found[quantity]
	cell := bytes.TrimSpace(t.cells[c.index])
	x, err := strconv.ParseFloat(strings.Replace(string(cell), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, t.bad(fmt.Sprintf("%q in the column %q is not a number", cell, t.head[c.index]))
	}
	return x * c.scale, nil
}

// powers of ten that a float64 holds exactly.
var powers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// plain reads a line as most are in one go, without quotes. It is false for any other, and right or wrong is not its to tell.
func (t *table) plain(line []byte, r *row) bool {
	into := [...]*float64{&r.seconds, &r.volts, &r.amperes}
	for i, q := range t.wanted {
		n := 0
		switch {
		case q > 0 || q == 0 && !t.utc:
			x, length, ok := decimal(line, t.comma)
			if !ok {
				return false
			}
			*into[q], n = x*t.found[q].scale, length
		default:
			for n < len(line) && line[n] != t.comma {
				if line[n] == '"' {
					return false
				}
				n++
			}
			if q == 0 {
				at, err := date(line[:n])
				if err != nil {
					return false
				}
				r.at = at.UTC()
			}
		}
		if last := i == len(t.wanted)-1; last != (n == len(line)) {
			return false
		}
		line = line[min(n+1, len(line)):]
	}
	return true
}

// date reads a date or a time (ISO 8601), without a zone in UTC. Most texts have the one form of the library that is quick, but for a blank
// or the zone.
func date(text []byte) (time.Time, error) {
	const whole = len("2006-01-02T15:04:05")
	var b [2 * whole]byte
	if n := copy(b[:], text); n == len(text) && n >= whole && (b[10] == 'T' || b[10] == ' ') {
		if b[10] = 'T'; n < len(b) && !bytes.ContainsAny(b[whole:n], "Z+-") {
			b[n] = 'Z'
			n++
		}
		if at, err := time.Parse(time.RFC3339Nano, string(b[:n])); err == nil {
			return at, nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02 15:04", time.DateOnly} {
		if at, err := time.Parse(layout, string(text)); err == nil {
			return at, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write 2026-01-10T20:00:00Z or 2026-01-10", text)
}

// decimal reads the number in front of a comma or the end, with a decimal point or comma, of at most 15 digits: two exact floats and one
// rounding. It is false for what else may be a number.
func decimal(b []byte, comma byte) (x float64, length int, ok bool) {
	var digits uint64
	count, point, sign := 0, -1, 1.0
	if len(b) > 0 && b[0] == '-' {
		length, sign = 1, -1
	}
	for ; length < len(b) && b[length] != comma; length++ {
		switch c := b[length]; {
		case c-'0' <= 9:
			digits, count = digits*10+uint64(c-'0'), count+1
		case (c == '.' || c == ',') && point < 0 && count > 0:
			point = count
		default:
			return 0, 0, false
		}
	}
	if count == 0 || count > 15 {
		return 0, 0, false
	}
	x = sign * float64(digits)
	if point >= 0 {
		x /= powers[count-point]
	}
	return x, length, true
}
