// Package modbus turns messages of a dialect that name registers into frames of the Modbus Application Protocol (V1.1b3) and their answers into text,
// so that a supply without SCPI is spoken with by the same driver, with the same distrust. It opens nothing and waits for nothing.
//
// A message names a table, an address counted from 0 as it travels, and how the value is written there:
//
//	holding 16                      one register, a whole number from 0
//	input 0x20 int16 0.001          signed, in thousandths
//	holding 40 float32 low-first    two registers, the low word first
//	holding 0 text 8                eight registers of two characters each
//	holding 16 uint16 0.01; holding 17 uint16 0.001
//	                                two values in one question, answered in one line with ; between
//	coil 1 = 0, holding 17 uint16 0.001 = 2.5
//	                                what is to be written
//
// Tables are coil, discrete, holding and input; types are uint16, int16, uint32, int32, float32 and text with a number of registers.
package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Function codes.
const (
	readCoils, readDiscrete, readHolding, readInput = 1, 2, 3, 4
	writeCoil, writeRegister, writeRegisters        = 5, 6, 16
	exception                                       = 0x80
)

var tables = map[string]byte{"coil": readCoils, "discrete": readDiscrete, "holding": readHolding, "input": readInput}

// words are the registers that a value of each type takes; those of a text are stated.
var words = map[string]int{"uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2, "text": 0}

// mostRegisters may be read in one request.
const mostRegisters = 125

// item is one value of a message.
type item struct {
	table    byte // its reading function
	address  int
	kind     string // of a register; empty: a bit
	length   int    // registers or bits
	scale    float64
	lowFirst bool
}

// Message is what one request asks for or writes.
type Message struct {
	request []byte // function code and what follows
	items   []item // of a read, with the address of the first register
	first   int
	count   int
}

const howTo = `write it as in "holding 16 uint16 0.01"`

// Parse reads a message. The error says how to write it.
func Parse(text string) (Message, error) {
	what, value, writes := strings.Cut(text, "=")
	var m Message
	last := 0
	for part := range strings.SplitSeq(what, ";") {
		i, err := parseItem(strings.Fields(part))
		if err != nil {
			return m, fmt.Errorf("%w; %s", err, howTo)
		}
		if m.items = append(m.items, i); i.table != m.items[0].table {
			return m, errors.New("names two tables in one question; ask for each alone")
		}
		if m.first = min(m.first, i.address); len(m.items) == 1 {
			m.first = i.address
		}
		last = max(last, i.address+i.length)
	}
	if m.count = last - m.first; m.count > mostRegisters {
		return m, fmt.Errorf("spans %d registers, and %d is the most; ask for each alone", m.count, mostRegisters)
	}
	if writes {
		return m, m.write(strings.TrimSpace(value))
	}
	m.request = request(m.items[0].table, m.first, m.count)
	return m, nil
}

// request is a function code and numbers of two bytes.
func request(function byte, numbers ...int) []byte {
	b := []byte{function}
	for _, n := range numbers {
		b = binary.BigEndian.AppendUint16(b, uint16(n))
	}
	return b
}

func parseItem(fields []string) (i item, err error) {
	if len(fields) < 2 {
		return i, fmt.Errorf("%q names no table and address", strings.Join(fields, " "))
	}
	i = item{table: tables[fields[0]], kind: "uint16", length: 1, scale: 1}
	if i.table == 0 {
		return i, fmt.Errorf("%q is not a table; there are coil, discrete, holding and input", fields[0])
	}
	address, err := strconv.ParseUint(fields[1], 0, 16)
	if err != nil {
		return i, fmt.Errorf("%q is not an address from 0 to 65535", fields[1])
	}
	i.address = int(address)
	rest := fields[2:]
	if i.table == readCoils || i.table == readDiscrete {
		i.kind = ""
	} else if len(rest) > 0 {
		if n, known := words[rest[0]]; known {
			i.kind, i.length, rest = rest[0], n, rest[1:]
		}
	}
	if i.kind == "text" {
		if len(rest) > 0 {
			i.length, _ = strconv.Atoi(rest[0])
			rest = rest[1:]
		}
		if i.length < 1 || i.length > mostRegisters {
			return i, fmt.Errorf("a text takes 1 to %d registers, as in text 8", mostRegisters)
		}
	}
	for _, f := range rest {
		switch scale, err := strconv.ParseFloat(f, 64); {
		case i.kind == "" || i.kind == "text":
			return i, fmt.Errorf("%q has no meaning here", f)
		case f == "low-first" && i.length == 2:
			i.lowFirst = true
		case err == nil && scale > 0 && !math.IsInf(scale, 0) && i.scale == 1:
			i.scale = scale
		default:
			return i, fmt.Errorf("%q is neither a type nor a scale nor an order of words", f)
		}
	}
	if i.address+i.length > 1<<16 {
		return i, fmt.Errorf("address %d and what follows end beyond 65535", i.address)
	}
	return i, nil
}

// write makes the request that writes the value.
func (m *Message) write(value string) error {
	i := m.items[0]
	x, err := strconv.ParseFloat(value, 64)
	if len(m.items) > 1 || i.kind == "text" || i.table != readCoils && i.table != readHolding || err != nil {
		return fmt.Errorf("%q cannot be written; write one number into a coil or a holding register, as in \"holding 18 = 0\"", value)
	}
	m.items = nil
	if i.kind == "" {
		if x != 0 && x != 1 {
			return fmt.Errorf("%q cannot be written into a coil; write 0 or 1", value)
		}
		m.request = request(writeCoil, i.address, int(x)*0xFF00)
		return nil
	}
	raw, err := i.raw(x)
	if err != nil {
		return err
	}
	if i.length == 1 {
		m.request = request(writeRegister, i.address, int(raw))
		return nil
	}
	if i.lowFirst {
		raw = raw<<16 | raw>>16
	}
	m.request = binary.BigEndian.AppendUint32(append(request(writeRegisters, i.address, 2), 4), raw)
	return nil
}

// raw is a value as its registers hold it, cut and never rounded up.
func (i item) raw(x float64) (uint32, error) {
	x /= i.scale
	if i.kind == "float32" {
		if !(math.Abs(x) <= math.MaxFloat32) {
			return 0, fmt.Errorf("%g is too large for float32", x)
		}
		f := float32(x)
		if float64(f) > x {
			f = math.Nextafter32(f, float32(math.Inf(-1)))
		}
		return math.Float32bits(f), nil
	}
	limits := map[string][2]float64{"uint16": {0, math.MaxUint16}, "int16": {math.MinInt16, math.MaxInt16}, "uint32": {0, math.MaxUint32}, "int32": {math.MinInt32, math.MaxInt32}}[i.kind]
	n := math.Floor(x + 1e-6*max(1, math.Abs(x)*1e-6)) // a decimal fraction may lie a hair below its own float64
	if !(n >= limits[0] && n <= limits[1]) {
		return 0, fmt.Errorf("%g in units of %g does not fit %s", x*i.scale, i.scale, i.kind)
	}
	return uint32(int64(n)), nil
}

// Writes says whether the message changes something.
func (m *Message) Writes() bool { return m.items == nil }

// exceptions are the codes of chapter 7.
var exceptions = map[byte]string{1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "device failure", 5: "acknowledge", 6: "device busy",
	8: "memory parity error", 10: "gateway path unavailable", 11: "gateway target failed to respond"}

// Answer reads the answer to the message: its values with ; between, nothing for what was written. Anything but such an answer is an error.
func (m *Message) Answer(pdu []byte) (string, error) {
	switch {
	case len(pdu) == 2 && pdu[0] == m.request[0]|exception:
		return "", fmt.Errorf("exception %d %s", pdu[1], exceptions[pdu[1]])
	case len(pdu) == 0 || pdu[0] != m.request[0]:
		return "", errors.New("an answer to something else")
	case m.Writes():
		if !slices.Equal(pdu, m.request[:min(len(m.request), 5)]) {
			return "", errors.New("another value was acknowledged")
		}
		return "", nil
	}
	data := pdu[1:]
	bytes := 2 * m.count
	if m.items[0].kind == "" {
		bytes = (m.count + 7) / 8
	}
	if len(data) != 1+bytes || int(data[0]) != bytes {
		return "", errors.New("an answer of another length")
	}
	var all []string
	for _, i := range m.items {
		all = append(all, i.text(data[1:], i.address-m.first))
	}
	return strings.Join(all, ";"), nil
}

// text is the value in data, at so many registers or bits from its beginning. What is no number is a number of SCPI that says so.
func (i item) text(data []byte, at int) string {
	if i.kind == "" {
		return strconv.Itoa(int(data[at/8] >> (at % 8) & 1))
	}
	b := data[2*at : 2*(at+i.length)]
	var x float64
	raw := uint32(binary.BigEndian.Uint16(b))
	if len(b) == 4 {
		if raw = binary.BigEndian.Uint32(b); i.lowFirst {
			raw = raw<<16 | raw>>16
		}
	}
	switch i.kind {
	case "text":
		return strings.TrimSpace(strings.Map(func(c rune) rune {
			if c < ' ' {
				return -1 // what fills up, and what would end the line
			}
			return c
		}, string(b)))
	case "int16":
		x = float64(int16(raw))
	case "int32":
		x = float64(int32(raw))
	case "float32":
		x = float64(math.Float32frombits(raw))
	default:
		x = float64(raw)
	}
	switch x *= i.scale; {
	case math.IsNaN(x):
		return "9.91E37"
	case math.IsInf(x, 0):
		return strconv.FormatFloat(math.Copysign(9.9e37, x), 'E', -1, 64)
	}
	return strings.ToUpper(strconv.FormatFloat(x, 'g', 10, 64))
}
