// Package language is the listening end of SCPI-1999 and IEEE 488.2: it takes program messages apart, finds the
// command each unit names, keeps the error queue, and writes response messages. It knows
// no instrument: the instrument hands it a list of commands.
//
// What it keeps of the standards: short and long mnemonics in any case, optional nodes, numeric suffixes, the header
// path of compound messages (a unit without a leading colon continues where the last one stood; common commands leave the path alone), units
// and MINimum, MAXimum, DEFault for numbers, channel lists, and a bounded first-in first-out error queue whose overflow is −350. On a wire without
// handshake there is no interrupted or unterminated query, so −410 to −440 never arise. Event registers and the status byte, which nightcell
// never asks for, are left out.
package language

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// Interpreter is one listener. It is not safe for use by several goroutines.
type Interpreter struct {
	headers  []header
	queue    []Error
	identity func() string
	reset    func()
	answers  []string // to the units of the message so far
}

// Options are what the instrument brings along.
type Options struct {
	Commands []Command
	Identity func() string // the answer to *IDN?
	Reset    func()        // what *RST does
}

const (
	longestMessage = 1024 // bytes of one program message
	queueLength    = 20   // of the error queue
)

// Command is one header and what it does.
type Command struct {
	// Pattern is the header as manuals print it: "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]". Capitals
	// are the short form, brackets enclose what may be left out, # allows a numeric suffix.
	Pattern string
	// Set runs the command form, Query the form with a question mark. A nil one is an undefined header. The error,
	// if any, is an Error and goes to the queue.
	Set   func(c *Call) error
	Query func(c *Call) (string, error)
}

// New builds a listener.
func New(o Options) *Interpreter {
	in := &Interpreter{identity: o.Identity, reset: o.Reset}
	for _, c := range append(common(in), o.Commands...) {
		in.headers = append(in.headers, newHeader(c))
	}
	return in
}

// Handle executes one program message and returns the response message with its line feed, or "" if nothing was asked.
func (in *Interpreter) Handle(message string) string {
	in.answers = nil
	if len(message) > longestMessage {
		in.raise(Error{Number: BufferOverrun})
		return ""
	}
	in.run(strings.TrimRight(message, "\r\n"))
	if in.answers == nil {
		return ""
	}
	return strings.Join(in.answers, ";") + "\n"
}

// run executes the units of a message. A command error ends the message, as a parser that has lost its footing
// must not act on the rest; an execution error does not.
func (in *Interpreter) run(message string) {
	var path []string
	units, err := split(message, ';')
	if err != nil {
		in.raise(err)
		return
	}
	if len(units) == 1 && strings.TrimSpace(units[0]) == "" {
		return // an empty message is legal
	}
	for _, text := range units {
		var u unit
		if u, err = parseUnit(text); err == nil {
			if !u.common && !u.absolute {
				u.keywords = append(append([]string(nil), path...), u.keywords...)
			}
			err = in.execute(u)
		}
		if err != nil && in.raise(err).ofCommand() {
			return
		}
		if !u.common && len(u.keywords) > 0 {
			path = u.keywords[:len(u.keywords)-1]
		}
	}
}

// execute finds the command of one unit, runs it, and keeps its answer.
func (in *Interpreter) execute(u unit) error {
	call := &Call{arguments: u.arguments}
	command, err := in.find(strings.Join(u.keywords, ":"), call)
	switch {
	case err != nil:
		return err
	case u.query && command.Query == nil, !u.query && command.Set == nil:
		return Error{Number: UndefinedHeader, Info: u.text}
	case !u.query:
		return command.Set(call)
	}
	answer, err := command.Query(call)
	if err == nil {
		err = call.Done()
	}
	if err == nil {
		in.answers = append(in.answers, answer)
	}
	return err
}

// Call is one command in the act of being executed: its numeric suffixes and the arguments not yet taken.
type Call struct {
	suffixes  []int
	arguments []string
}

// Suffix returns the first numeric suffix of the header; ok is false if it had none.
func (c *Call) Suffix() (number int, ok bool) {
	if len(c.suffixes) == 0 {
		return 0, false
	}
	return c.suffixes[0], true
}

// Done reports −108 if arguments are left over. Every command form calls it before it acts.
func (c *Call) Done() error {
	if len(c.arguments) > 0 {
		return Error{Number: ParameterNotAllowed, Info: c.arguments[0]}
	}
	return nil
}

func (c *Call) take() (string, error) {
	if len(c.arguments) == 0 {
		return "", Error{Number: MissingParameter}
	}
	a := c.arguments[0]
	c.arguments = c.arguments[1:]
	return a, nil
}

// Range is what a numeric parameter may be.
type Range struct {
	Minimum, Maximum, Default float64
	Unit                      string // "V", "A", or "" if no unit may follow
}

// Number takes a decimal number with an optional unit, or MINimum, MAXimum or DEFault, and checks its range.
func (c *Call) Number(r Range) (float64, error) {
	a, err := c.take()
	if err != nil {
		return 0, err
	}
	if v, ok := r.special(a); ok {
		return v, nil
	}
	v, err := parseNumber(a, r.Unit)
	if err != nil {
		return 0, err
	}
	if !(v >= r.Minimum && v <= r.Maximum) {
		return 0, Error{Number: OutOfRange, Info: a}
	}
	return v, nil
}

// Limit takes an optional MINimum, MAXimum or DEFault of a query such as VOLTage? MAXimum; ok is false if there is none.
func (c *Call) Limit(r Range) (v float64, ok bool, err error) {
	a, err := c.take()
	if err != nil {
		return 0, false, nil
	}
	if v, ok = r.special(a); !ok {
		return 0, false, Error{Number: IllegalParameter, Info: a}
	}
	return v, true, nil
}

func (r Range) special(word string) (float64, bool) {
	switch strings.ToUpper(word) {
	case "MIN", "MINIMUM":
		return r.Minimum, true
	case "MAX", "MAXIMUM":
		return r.Maximum, true
	case "DEF", "DEFAULT":
		return r.Default, true
	}
	return 0, false
}

// multipliers of IEEE 488.2 table 7-2 that a bench supply meets. In SCPI M is milli; mega is MA, and needs a unit after it.
var multipliers = map[string]float64{"": 1, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "MA": 1e6, "G": 1e9}

// parseNumber reads a decimal, #H, #Q or #B number, with the unit or a multiple of it.
func parseNumber(text, unit string) (float64, error) {
	if strings.HasPrefix(text, "#") && len(text) > 2 {
		base := map[byte]int{'H': 16, 'Q': 8, 'B': 2}[text[1]&^0x20]
		if base == 0 {
			return 0, Error{Number: DataTypeError, Info: text}
		}
		n, err := strconv.ParseUint(text[2:], base, 53)
		if err != nil {
			return 0, Error{Number: InvalidNumber, Info: text}
		}
		return float64(n), nil
	}
	if c := text[0]; c == '"' || c == '\'' || c == '(' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' {
		return 0, Error{Number: DataTypeError, Info: text}
	}
	end := len(leadingNumber.FindString(text))
	v, err := strconv.ParseFloat(text[:end], 64)
	if err != nil && !math.IsInf(v, 0) {
		return 0, Error{Number: InvalidNumber, Info: text}
	}
	suffix := strings.ToUpper(strings.TrimSpace(text[end:]))
	if suffix == "" {
		return v, nil
	}
	if unit == "" {
		return 0, Error{Number: SuffixNotAllowed, Info: suffix}
	}
	factor, known := multipliers[strings.TrimSuffix(suffix, unit)]
	if !known || !strings.HasSuffix(suffix, unit) {
		return 0, Error{Number: InvalidSuffix, Info: suffix}
	}
	return v * factor, nil
}

// leadingNumber is a decimal number: digits, point, exponent.
var leadingNumber = regexp.MustCompile(`^[+-]?[0-9]*(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?`)

// Boolean takes ON, OFF or a number, of which only the rounded value zero is off.
func (c *Call) Boolean() (bool, error) {
	a, err := c.take()
	if err != nil {
		return false, err
	}
	switch strings.ToUpper(a) {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	}
	v, err := parseNumber(a, "")
	if err != nil {
		if e, ok := err.(Error); ok && e.Number == DataTypeError {
			return false, Error{Number: IllegalParameter, Info: a}
		}
		return false, err
	}
	return math.RoundToEven(v) != 0, nil
}

// Word takes one of the given mnemonics, in short or long form, and returns its index.
func (c *Call) Word(words ...string) (int, error) {
	a, err := c.take()
	if err != nil {
		return 0, err
	}
	for i, w := range words {
		if u := strings.ToUpper(a); u == strings.ToUpper(w) || u == longForm.ReplaceAllString(w, "") {
			return i, nil
		}
	}
	return 0, Error{Number: IllegalParameter, Info: a}
}

// Channels takes a trailing channel list such as (@1), (@1,3) or (@1:3); nil if there is none. most is the highest channel.
func (c *Call) Channels(most int) ([]int, error) {
	if len(c.arguments) == 0 || !strings.HasPrefix(c.arguments[len(c.arguments)-1], "(") {
		return nil, nil
	}
	text := c.arguments[len(c.arguments)-1]
	c.arguments = c.arguments[:len(c.arguments)-1]
	inner, ok := strings.CutPrefix(strings.ReplaceAll(strings.TrimSuffix(text, ")"), " ", ""), "(@")
	if !ok || inner == "" {
		return nil, Error{Number: InvalidExpression, Info: text}
	}
	var list []int
	for _, part := range strings.Split(inner, ",") {
		first, last, span := strings.Cut(part, ":")
		if !span {
			last = first
		}
		from, err := strconv.Atoi(first)
		to, err2 := strconv.Atoi(last)
		if err != nil || err2 != nil {
			return nil, Error{Number: InvalidExpression, Info: text}
		}
		if from < 1 || to < from || to > most {
			return nil, Error{Number: OutOfRange, Info: text}
		}
		for n := from; n <= to; n++ {
			list = append(list, n)
		}
	}
	return list, nil
}
