package language

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// common returns the commands of IEEE 488.2 that say something of an instrument without status registers, and SCPI's SYSTem ones that need no instrument.
func common(in *Interpreter) []Command {
	fixed := func(answer string) func(*Call) (string, error) {
		return func(*Call) (string, error) { return answer, nil }
	}
	bare := func(act func()) func(*Call) error {
		return func(c *Call) error {
			err := c.Done()
			if err == nil {
				act()
			}
			return err
		}
	}
	return []Command{
		{Pattern: "*IDN", Query: func(*Call) (string, error) { return in.identity(), nil }},
		{Pattern: "*RST", Set: bare(in.reset)},
		{Pattern: "*TST", Query: fixed("0")},
		{Pattern: "*WAI", Set: bare(func() {})}, // every command is finished before the next begins
		{Pattern: "*OPC", Set: bare(func() {}), Query: fixed("1")},
		{Pattern: "*CLS", Set: bare(in.Clear)},
		{Pattern: "SYSTem:ERRor[:NEXT]", Query: func(*Call) (string, error) { return in.pop().Error(), nil }},
		{Pattern: "SYSTem:ERRor:COUNt", Query: func(*Call) (string, error) { return strconv.Itoa(len(in.queue)), nil }},
		{Pattern: "SYSTem:ERRor:ALL", Query: func(*Call) (string, error) {
			all := in.Errors()
			in.Clear()
			if len(all) == 0 {
				return Error{}.Error(), nil
			}
			return strings.Join(all, ","), nil
		}},
		{Pattern: "SYSTem:VERSion", Query: fixed("1999.0")},
	}
}

// Number is a standard error number of SCPI-1999 (Volume 2, 21.8).
type Number int

// The standard errors that this listener and its instruments raise.
const (
	NoError             Number = 0
	InvalidCharacter    Number = -101
	SyntaxError         Number = -102
	InvalidSeparator    Number = -103
	DataTypeError       Number = -104
	ParameterNotAllowed Number = -108
	MissingParameter    Number = -109
	MnemonicTooLong     Number = -112
	UndefinedHeader     Number = -113
	SuffixOutOfRange    Number = -114
	InvalidNumber       Number = -121
	InvalidSuffix       Number = -131
	SuffixNotAllowed    Number = -138
	InvalidString       Number = -151
	InvalidExpression   Number = -171
	CommandProtected    Number = -203
	SettingsConflict    Number = -221
	OutOfRange          Number = -222
	IllegalParameter    Number = -224
	DeviceError         Number = -300
	QueueOverflow       Number = -350
	BufferOverrun       Number = -363
)

var descriptions = map[Number]string{
	NoError: "No error", InvalidCharacter: "Invalid character", SyntaxError: "Syntax error", InvalidSeparator: "Invalid separator",
	DataTypeError: "Data type error", ParameterNotAllowed: "Parameter not allowed", MissingParameter: "Missing parameter",
	MnemonicTooLong: "Program mnemonic too long", UndefinedHeader: "Undefined header", SuffixOutOfRange: "Header suffix out of range",
	InvalidNumber: "Invalid character in number", InvalidSuffix: "Invalid suffix", SuffixNotAllowed: "Suffix not allowed",
	InvalidString: "Invalid string data", InvalidExpression: "Invalid expression", CommandProtected: "Command protected",
	SettingsConflict: "Settings conflict", OutOfRange: "Data out of range", IllegalParameter: "Illegal parameter value",
	DeviceError: "Device-specific error", QueueOverflow: "Queue overflow", BufferOverrun: "Input buffer overrun",
}

// Error is an entry of the error queue.
type Error struct {
	Number Number
	Info   string // device-dependent information after the semicolon, or ""
}

// Error writes the entry as SYSTem:ERRor? does: number,"text;info".
func (e Error) Error() string {
	text := descriptions[e.Number]
	if e.Info != "" {
		text += ";" + strings.ReplaceAll(e.Info, `"`, `""`)
	}
	return fmt.Sprintf(`%d,"%s"`, int(e.Number), text)
}

// ofCommand tells a command error, after which the rest of a message is not trusted.
func (e Error) ofCommand() bool { return e.Number <= -100 && e.Number > -200 }

// pop takes the oldest entry out of the queue.
func (in *Interpreter) pop() (e Error) {
	if len(in.queue) > 0 {
		e, in.queue = in.queue[0], in.queue[1:]
	}
	return e
}

// raise puts an error into the queue, of which the newest entry gives way to −350 when it is full. An error that is not an Error is a device error.
func (in *Interpreter) raise(err error) (e Error) {
	if !errors.As(err, &e) {
		e = Error{Number: DeviceError, Info: err.Error()}
	}
	if len(in.queue) < queueLength {
		in.queue = append(in.queue, e)
	} else {
		in.queue[queueLength-1] = Error{Number: QueueOverflow}
	}
	return e
}

// Errors returns the queue, oldest first, without emptying it.
func (in *Interpreter) Errors() []string {
	var out []string
	for _, e := range in.queue {
		out = append(out, e.Error())
	}
	return out
}

// Clear empties the queue.
func (in *Interpreter) Clear() { in.queue = nil }
