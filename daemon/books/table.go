package books

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// table reads readings out of a table in text, whose columns stand in any order.
type table struct {
	name  string
	from  *bufio.Reader
	line  int
	comma byte
	head  []string
	found [3]column
	utc   bool // times are dates, not numbers
	cells [][]byte
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
		err = fmt.Errorf("%s is empty; a head with the names and units of the columns is needed", in.Name)
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
			wrong = append(wrong, fmt.Sprintf("no column is the %s: name it in the head, such as %s, or say which it is with --column '%s=NAME'", q.name, q.example, q.name))
			continue
		}
		t.found[i].index = at
		for _, w := range tokens(t.head[at]) {
			if scale, ok := q.units[w]; ok {
				t.found[i].scale = scale
			}
		}
		if i > 0 && t.found[i].scale == 0 {
			wrong = append(wrong, fmt.Sprintf("the column %q has no unit: write it in the head, such as %s", t.head[at], q.example))
		}
	}
	if wrong != nil {
		return nil, t.bad(strings.Join(wrong, "; ") + ". The head is: " + strings.Join(t.head, ", "))
	}
	t.utc = t.found[0].scale == 0
	return t, nil
}

// tokens are the words of a head in small letters: "U (V)" is u and v, "current_mA" current and ma.
func tokens(head string) []string {
	return strings.FieldsFunc(strings.ToLower(head), func(r rune) bool { return !unicode.IsLetter(r) })
}

// columns says which were read.
func (t *table) columns() string {
	return fmt.Sprintf("time from %q, volts from %q, amperes from %q", t.head[t.found[0].index], t.head[t.found[1].index], t.head[t.found[2].index])
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
	for {
		i := bytes.IndexByte(line, t.comma)
		if i < 0 {
			t.cells = append(t.cells, line)
			return nil
		}
		t.cells = append(t.cells, line[:i])
		line = line[i+1:]
	}
}

// next reads the next reading.
func (t *table) next() (r row, err error) {
	line, err := t.read()
	if err != nil {
		return r, err
	}
	if err := t.split(line); err != nil {
		return r, err
	}
	if len(t.cells) != len(t.head) && !(len(t.cells) == len(t.head)+1 && len(t.cells[len(t.head)]) == 0) {
		return r, t.bad(fmt.Sprintf("%d cells, and the head has %d", len(t.cells), len(t.head)))
	}
	if t.utc {
		cell := string(bytes.TrimSpace(t.cells[t.found[0].index]))
		if r.at, err = ParseTime(cell); err != nil {
			if _, number := strconv.ParseFloat(cell, 64); number == nil {
				return r, t.bad(fmt.Sprintf("the time %s is a number, and its column %q has no unit: write it in the head, such as time_s", cell, t.head[t.found[0].index]))
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
	if x, ok := decimal(cell); ok {
		return x * c.scale, nil
	}
	x, err := strconv.ParseFloat(strings.Replace(string(cell), ",", ".", 1), 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, t.bad(fmt.Sprintf("%q in the column %q is no number", cell, t.head[c.index]))
	}
	return x * c.scale, nil
}

// decimal reads a plain number with a decimal point or comma, of at most 15 digits: two exact floats and one rounding.
func decimal(cell []byte) (float64, bool) {
	var whole, power, sign float64 = 0, 0, 1
	digits := 0
	for i, c := range cell {
		switch {
		case c >= '0' && c <= '9':
			whole, power = whole*10+float64(c-'0'), power*10
			digits++
		case (c == '.' || c == ',') && power == 0 && digits > 0:
			power = 1
		case c == '-' && i == 0:
			sign = -1
		default:
			return 0, false
		}
	}
	return sign * whole / max(power, 1), digits > 0 && digits <= 15
}
