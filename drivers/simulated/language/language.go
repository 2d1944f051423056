// Package language is the listening end of SCPI-1999 and IEEE 488.2: it takes program messages apart, finds the
// command each unit names, keeps the error queue, and writes response messages. It knows
// no instrument: the instrument hands it a list of commands.
//
// What it keeps of the standards: short and long mnemonics in any case, optional nodes, numeric suffixes, the header
// path of compound messages (a unit without a leading colon continues where the last one stood; common commands leave the path alone), units
// and MINimum, MAXimum, DEFault for numbers, channel lists, and a bounded first-in first-out error queue whose overflow is −350. On a wire without
// handshake there is no interrupted or unterminated query, so −410 to −440 never arise. What nightcell never asks for is left out: status bytes and
// event registers, commands with more than one parameter, and parameters that are text.
package language

import (
	"cmp"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"nightcell/drivers"
)

const (
	longestMessage = 1024 // bytes of one program message
	queueLength    = 20   // of the error queue
)

// Error is an entry of the error queue without what it is about, as SCPI-1999 words it (volume 2, 21.8).
type Error string

// The standard errors that this listener and its instruments raise.
const (
	noError             Error = `0,"No error"`
	DataTypeError       Error = `-104,"Data type error"`
	ParameterNotAllowed Error = `-108,"Parameter not allowed"`
	MissingParameter    Error = `-109,"Missing parameter"`
	UndefinedHeader     Error = `-113,"Undefined header"`
	SuffixOutOfRange    Error = `-114,"Header suffix out of range"`
	InvalidSuffix       Error = `-131,"Invalid suffix"`
	InvalidExpression   Error = `-171,"Invalid expression"`
	SettingsConflict    Error = `-221,"Settings conflict"`
	OutOfRange          Error = `-222,"Data out of range"`
	IllegalParameter    Error = `-224,"Illegal parameter value"`
	QueueOverflow       Error = `-350,"Queue overflow"`
	BufferOverrun       Error = `-363,"Input buffer overrun"`
)

func (e Error) Error() string { return string(e) }

// Range is what the parameter of a command may be.
type Range struct {
	Minimum, Maximum, Default float64
	Unit                      string // "V", "A", or "" if no unit may follow
	Flag                      bool   // ON or OFF, or a number, of which only the rounded value zero is off
}

// Command is one header and what it does, on one channel after the other where it names several.
type Command struct {
	// Pattern is the header as manuals print it: "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]". Capitals
	// are the short form, brackets enclose what may be left out, # allows a channel's number there or a channel list behind it all.
	Pattern string
	// Range is of the parameter on a channel; nil: there is none.
	Range func(channel int) Range
	// Set runs the command form, Query the form with a question mark. A nil one is an undefined header. The error,
	// if any, is an Error and goes to the queue.
	Set   func(channel int, value float64) error
	Query func(channel int) string
}

// Options are what the instrument brings along.
type Options struct {
	Commands []Command
	Identity func() string // the answer to *IDN?
	Reset    func()        // what *RST does
	Channels int           // how many there are
	Selected func() int    // the channel that is meant where none is named, from 1
}

// Interpreter is one listener. It is not safe for use by several goroutines.
type Interpreter struct {
	Options
	headers []header
	queue   []string
}

// header is a command and the form of its header, in capitals, each word behind a colon.
type header struct {
	Command
	form     *regexp.Regexp // with a group for the channel's number where one may stand
	channels bool           // one may
}

// New builds a listener.
func New(o Options) *Interpreter {
	in := &Interpreter{Options: o}
	does := func(act func()) func(int, float64) error {
		return func(int, float64) error { act(); return nil }
	}
	for _, c := range append([]Command{
		{Pattern: "*IDN", Query: func(int) string { return o.Identity() }},
		{Pattern: "*RST", Set: does(o.Reset)},
		{Pattern: "*OPC", Set: does(func() {}), Query: func(int) string { return "1" }}, // every command is finished before the next begins
		{Pattern: "*CLS", Set: does(in.Clear)},
		{Pattern: "SYSTem:ERRor[:NEXT]", Query: func(int) (e string) {
			if e = string(noError); len(in.queue) > 0 {
				e, in.queue = in.queue[0], in.queue[1:]
			}
			return e
		}},
	}, o.Commands...) {
		in.headers = append(in.headers, newHeader(c))
	}
	return in
}

// patternWord is one word of a pattern: an opening bracket, the word, and the mark of a suffix.
var (
	patternWord = regexp.MustCompile(`(\[?):?([*A-Za-z]+)(#?)\]?`)
	longForm    = regexp.MustCompile(`[a-z]+`)
)

func newHeader(c Command) header {
	form := "^"
	for _, m := range patternWord.FindAllStringSubmatch(c.Pattern, -1) {
		word := longForm.ReplaceAllStringFunc(strings.Replace(m[2], "*", `\*`, 1), func(s string) string { return "(?:" + strings.ToUpper(s) + ")?" })
		if m[3] != "" {
			word += `(\d*)`
		}
		form += "(?::" + word + ")"
		if m[1] != "" {
			form += "?"
		}
	}
	return header{c, regexp.MustCompile(form + "$"), strings.Contains(c.Pattern, "#")}
}

// Handle executes one program message and returns the response message with its line feed, or "" if nothing was asked. A command error ends
// the message, as a parser that has lost its footing must not act on the rest; an execution error does not.
func (in *Interpreter) Handle(message string) string {
	if len(message) > longestMessage {
		in.raise(BufferOverrun, "")
		return ""
	}
	if message = strings.TrimSpace(message); message == "" {
		return "" // an empty message is legal
	}
	var answers []string
	path := ""
	for unit := range strings.SplitSeq(message, ";") {
		name, rest := strings.TrimSpace(unit), ""
		if i := strings.IndexAny(name, " \t"); i >= 0 {
			name, rest = name[:i], strings.TrimSpace(name[i:])
		}
		if !strings.HasPrefix(name, "*") {
			absolute, isAbsolute := strings.CutPrefix(name, ":")
			if name = absolute; !isAbsolute {
				name = path + name
			}
			path = name[:strings.LastIndexByte(name, ':')+1]
		}
		switch answer, err := in.execute(name, rest); {
		case err != "":
			if in.raise(err, unit); strings.HasPrefix(string(err), "-1") {
				return response(answers)
			}
		case answer != nil:
			answers = append(answers, strings.Join(answer, ","))
		}
	}
	return response(answers)
}

func response(answers []string) string {
	if answers == nil {
		return ""
	}
	return strings.Join(answers, ";") + "\n"
}

// execute finds the command of one unit and runs it on every channel that it names, from each of which a query has an answer.
func (in *Interpreter) execute(name, rest string) (answers []string, err Error) {
	name, asks := strings.CutSuffix(name, "?")
	name = ":" + strings.ToUpper(name)
	n := slices.IndexFunc(in.headers, func(h header) bool { return h.form.MatchString(name) })
	if n < 0 || asks && in.headers[n].Query == nil || !asks && in.headers[n].Set == nil {
		return nil, UndefinedHeader
	}
	h := in.headers[n]
	rest, list, listed := strings.Cut(rest, "(")
	channels, err := in.channels(strings.Join(h.form.FindStringSubmatch(name)[1:], ""), list, listed)
	parameter := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), ","))
	switch {
	case err != "":
		return nil, err
	case listed && !h.channels, parameter != "" && h.Range == nil, strings.Contains(parameter, ","):
		return nil, ParameterNotAllowed
	case parameter == "" && h.Range != nil && !asks:
		return nil, MissingParameter
	}
	if asks {
		for _, c := range channels {
			answer := h.Query
			if parameter != "" {
				limit, known := h.Range(c).special(parameter)
				if !known {
					return nil, IllegalParameter
				}
				answer = func(int) string { return Decimal(limit) }
			}
			answers = append(answers, answer(c))
		}
		return answers, ""
	}
	value := 0.0
	if h.Range != nil {
		if value, err = h.Range(channels[0]).read(parameter); err != "" {
			return nil, err
		}
		for _, c := range channels {
			if r := h.Range(c); !r.Flag && !(value >= r.Minimum && value <= r.Maximum) {
				return nil, OutOfRange
			}
		}
	}
	for _, c := range channels {
		if refused, _ := h.Set(c, value).(Error); refused != "" {
			err = refused
		}
	}
	return nil, err
}

// channels are those of a list such as @1), @1,3) or @1:3), else the one whose number stands in the header, else the selected one.
func (in *Interpreter) channels(suffix, list string, listed bool) (all []int, err Error) {
	if !listed {
		if suffix == "" {
			return []int{in.Selected()}, ""
		}
		n, _ := strconv.Atoi(suffix) // too large a number is none of a channel either
		if n < 1 || n > in.Channels {
			return nil, SuffixOutOfRange
		}
		return []int{n}, ""
	}
	inner, ends := strings.CutSuffix(strings.ReplaceAll(list, " ", ""), ")")
	inner, begins := strings.CutPrefix(inner, "@")
	for part := range strings.SplitSeq(inner, ",") {
		first, last, span := strings.Cut(part, ":")
		if !span {
			last = first
		}
		from, err := strconv.Atoi(first)
		to, err2 := strconv.Atoi(last)
		switch {
		case !begins || !ends || cmp.Or(err, err2) != nil:
			return nil, InvalidExpression
		case from < 1 || to < from || to > in.Channels:
			return nil, OutOfRange
		}
		for n := from; n <= to; n++ {
			all = append(all, n)
		}
	}
	return all, ""
}

// special is what a word stands for.
func (r Range) special(word string) (value float64, known bool) {
	word = strings.ToUpper(word)
	switch {
	case r.Flag:
		return map[string]float64{"ON": 1}[word], word == "ON" || word == "OFF"
	case word == "MIN", word == "MINIMUM":
		return r.Minimum, true
	case word == "MAX", word == "MAXIMUM":
		return r.Maximum, true
	}
	return r.Default, word == "DEF" || word == "DEFAULT"
}

// leadingNumber is a decimal number: digits, point, exponent.
var leadingNumber = regexp.MustCompile(`^[+-]?[0-9]*(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?`)

// read takes a parameter: a number with the unit or thousandths of it, or a word. A flag is 1 or 0.
func (r Range) read(text string) (float64, Error) {
	if v, known := r.special(text); known {
		return v, ""
	}
	digits := leadingNumber.FindString(text)
	v, err := strconv.ParseFloat(digits, 64)
	if err != nil && v == 0 {
		return 0, DataTypeError
	}
	if r.Flag {
		v = min(math.Abs(math.RoundToEven(v)), 1)
	}
	switch strings.ToUpper(strings.TrimSpace(text[len(digits):])) {
	case "", r.Unit:
		return v, ""
	case "M" + r.Unit:
		if r.Unit != "" {
			return v / 1000, ""
		}
	}
	return 0, InvalidSuffix
}

// Decimal writes NR2 with four places, as IEEE 488.2 8.7.3 allows.
func Decimal(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }

// raise puts an error and what it is about into the queue, of which the newest entry gives way to −350 when it is full.
func (in *Interpreter) raise(e Error, unit string) {
	if len(in.queue) == queueLength {
		in.queue[queueLength-1] = string(QueueOverflow)
		return
	}
	text := string(e)
	if about := strings.TrimSpace(drivers.Plain(unit)); about != "" {
		text = strings.TrimSuffix(text, `"`) + ";" + strings.ReplaceAll(about, `"`, `""`) + `"`
	}
	in.queue = append(in.queue, text)
}

// Errors returns the queue, oldest first, without emptying it.
func (in *Interpreter) Errors() []string { return slices.Clone(in.queue) }

// Clear empties the queue.
func (in *Interpreter) Clear() { in.queue = nil }
