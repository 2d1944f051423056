package language

import (
	"errors"
	"fmt"
	"strings"
)

// Number is a standard error number of SCPI-1999 (Volume 2, 21.8).
type Number int

// The standard errors that this listener and its instruments raise.
const (
	NoError             Number = 0
	CommandError        Number = -100
	InvalidCharacter    Number = -101
	SyntaxError         Number = -102
	InvalidSeparator    Number = -103
	DataTypeError       Number = -104
	ParameterNotAllowed Number = -108
	MissingParameter    Number = -109
	MnemonicTooLong     Number = -112
	UndefinedHeader     Number = -113
	SuffixOutOfRange    Number = -114
	NumericDataError    Number = -120
	InvalidNumber       Number = -121
	InvalidSuffix       Number = -131
	SuffixNotAllowed    Number = -138
	InvalidCharData     Number = -141
	InvalidString       Number = -151
	InvalidExpression   Number = -171
	ExecutionError      Number = -200
	CommandProtected    Number = -203
	SettingsConflict    Number = -221
	OutOfRange          Number = -222
	IllegalParameter    Number = -224
	HardwareMissing     Number = -241
	DeviceError         Number = -300
	QueueOverflow       Number = -350
	CommunicationError  Number = -360
	BufferOverrun       Number = -363
	QueryError          Number = -400
)

var descriptions = map[Number]string{
	NoError: "No error", CommandError: "Command error", InvalidCharacter: "Invalid character", SyntaxError: "Syntax error",
	InvalidSeparator: "Invalid separator", DataTypeError: "Data type error", ParameterNotAllowed: "Parameter not allowed",
	MissingParameter: "Missing parameter", MnemonicTooLong: "Program mnemonic too long", UndefinedHeader: "Undefined header",
	SuffixOutOfRange: "Header suffix out of range", NumericDataError: "Numeric data error", InvalidNumber: "Invalid character in number",
	InvalidSuffix: "Invalid suffix", SuffixNotAllowed: "Suffix not allowed", InvalidCharData: "Invalid character data",
	InvalidString: "Invalid string data", InvalidExpression: "Invalid expression", ExecutionError: "Execution error",
	CommandProtected: "Command protected", SettingsConflict: "Settings conflict", OutOfRange: "Data out of range",
	IllegalParameter: "Illegal parameter value", HardwareMissing: "Hardware missing", DeviceError: "Device-specific error",
	QueueOverflow: "Queue overflow", CommunicationError: "Communication error", BufferOverrun: "Input buffer overrun", QueryError: "Query error",
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

// bit is the bit of the standard event status register that the class of an error sets.
func (e Error) bit() int {
	switch {
	case e.Number <= -100 && e.Number > -200:
		return commandError
	case e.Number <= -200 && e.Number > -300:
		return executionError
	case e.Number <= -300 && e.Number > -400, e.Number > 0:
		return deviceError
	case e.Number <= -400 && e.Number > -500:
		return queryError
	}
	return 0
}

func isCommandError(err error) bool {
	var e Error
	return errors.As(err, &e) && e.bit() == commandError
}

// queue is the error/event queue: first in, first out; when full, the newest entry gives way to −350.
type queue struct {
	limit   int
	entries []Error
}

func (q *queue) push(e Error) {
	if len(q.entries) < q.limit {
		q.entries = append(q.entries, e)
		return
	}
	q.entries[q.limit-1] = Error{Number: QueueOverflow}
}

func (q *queue) pop() Error {
	if len(q.entries) == 0 {
		return Error{}
	}
	e := q.entries[0]
	q.entries = q.entries[1:]
	return e
}

// raise puts an error into the queue and sets its bit. An error that is not an Error is a device error.
func (in *Interpreter) raise(err error) {
	var e Error
	if !errors.As(err, &e) {
		e = Error{Number: DeviceError, Info: err.Error()}
	}
	in.queue.push(e)
	in.event |= e.bit()
}

// Errors returns the queue, oldest first, without emptying it.
func (in *Interpreter) Errors() []string {
	var out []string
	for _, e := range in.queue.entries {
		out = append(out, e.Error())
	}
	return out
}
