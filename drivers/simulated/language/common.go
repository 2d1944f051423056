package language

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// common returns the commands that IEEE 488.2 asks of every instrument, and SCPI's SYSTem and STATus ones that need no instrument.
func common(in *Interpreter) []Command {
	number := func(field *int) func(*Call) (string, error) {
		return func(*Call) (string, error) { return strconv.Itoa(*field), nil }
	}
	fixed := func(answer string) func(*Call) (string, error) {
		return func(*Call) (string, error) { return answer, nil }
	}
	bare := func(act func()) func(*Call) error {
		return func(c *Call) error {
			if err := c.Done(); err != nil {
				return err
			}
			act()
			return nil
		}
	}
	return []Command{
		{Pattern: "*IDN", Query: func(*Call) (string, error) { return in.identity(), nil }},
		{Pattern: "*RST", Set: bare(in.reset)},
		{Pattern: "*TST", Query: fixed("0")},
		{Pattern: "*WAI", Set: bare(func() {})}, // every command is finished before the next begins
		{Pattern: "*OPC", Set: bare(func() { in.event |= operationComplete }), Query: fixed("1")},
		{Pattern: "*CLS", Set: bare(in.clear)},
		{Pattern: "*ESE", Set: func(c *Call) error { return c.register(&in.eventOn, 255, 255) }, Query: number(&in.eventOn)},
		{Pattern: "*ESR", Query: func(*Call) (string, error) {
			e := in.event
			in.event = 0
			return strconv.Itoa(e), nil
		}},
		// Bit 6 of the service request enable register cannot be set (IEEE 488.2, 11.3.2.3).
		{Pattern: "*SRE", Set: func(c *Call) error { return c.register(&in.service, 255, 255&^masterBit) }, Query: number(&in.service)},
		{Pattern: "*STB", Query: func(*Call) (string, error) { return strconv.Itoa(in.statusByte()), nil }},
		{Pattern: "SYSTem:ERRor[:NEXT]", Query: func(*Call) (string, error) { return in.queue.pop().Error(), nil }},
		{Pattern: "SYSTem:ERRor:COUNt", Query: func(*Call) (string, error) { return strconv.Itoa(len(in.queue.entries)), nil }},
		{Pattern: "SYSTem:ERRor:ALL", Query: func(*Call) (string, error) {
			all := in.Errors()
			in.queue.entries = nil
			if len(all) == 0 {
				return Error{}.Error(), nil
			}
			return strings.Join(all, ","), nil
		}},
		{Pattern: "SYSTem:VERSion", Query: fixed("1999.0")},
		{Pattern: "STATus:PRESet", Set: bare(func() {
			for _, r := range in.registry {
				r.preset()
			}
		})},
	}
}

// clear is *CLS: event registers and the error queue, but no enable register.
func (in *Interpreter) clear() {
	in.queue.entries = nil
	in.event = 0
	for _, r := range in.registry {
		r.Update()
		r.event = 0
	}
}

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

// queue is the error/event queue: first in, first out; when full, the newest entry gives way to −350.
type queue struct{ entries []Error }

func (q *queue) push(e Error) {
	if len(q.entries) < queueLength {
		q.entries = append(q.entries, e)
		return
	}
	q.entries[queueLength-1] = Error{Number: QueueOverflow}
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
func (in *Interpreter) raise(err error) (e Error) {
	if !errors.As(err, &e) {
		e = Error{Number: DeviceError, Info: err.Error()}
	}
	in.queue.push(e)
	in.event |= e.bit()
	return e
}

// Errors returns the queue, oldest first, without emptying it.
func (in *Interpreter) Errors() []string {
	var out []string
	for _, e := range in.queue.entries {
		out = append(out, e.Error())
	}
	return out
}

// Bits of the standard event status register (IEEE 488.2, 11.5.1).
const (
	operationComplete = 1 << 0
	queryError        = 1 << 2
	deviceError       = 1 << 3
	executionError    = 1 << 4
	commandError      = 1 << 5
	powerOn           = 1 << 7
)

// Bits of the status byte. Bits 0 and 1 are the designer's and unused.
const (
	errorQueueBit   = 1 << 2
	questionableBit = 1 << 3
	messageBit      = 1 << 4
	eventBit        = 1 << 5
	masterBit       = 1 << 6
	operationBit    = 1 << 7
)

// registerBits is the usable width of a SCPI status register: bit 15 is always 0.
const registerBits = 0x7fff

// Register is one SCPI status structure: condition, transition filters, event, enable.
type Register struct {
	Condition func() int // the present state of the instrument
	last      int
	positive  int
	negative  int
	event     int
	enable    int
}

// NewRegister returns a register in its preset state, which lets every bit that becomes set through.
func NewRegister(condition func() int) *Register {
	return &Register{Condition: condition, positive: registerBits}
}

// Update passes a change of condition through the filters into the event register. The instrument calls it whenever its state may have changed.
func (r *Register) Update() {
	now := r.Condition() & registerBits
	r.event |= now&^r.last&r.positive | r.last&^now&r.negative
	r.last = now
}

func (r *Register) summary() bool { r.Update(); return r.event&r.enable != 0 }

func (r *Register) preset() { r.positive, r.negative, r.enable = registerBits, 0, 0 }

// Commands returns the subtree of one register, such as "STATus:OPERation", but for its CONDition, which may depend on
// the channel asked for and is left to the instrument.
func (r *Register) Commands(pattern string) []Command {
	settable := func(name string, field *int) Command {
		return Command{Pattern: pattern + ":" + name,
			Set:   func(c *Call) error { return c.register(field, 65535, registerBits) },
			Query: func(*Call) (string, error) { return strconv.Itoa(*field), nil },
		}
	}
	return []Command{
		{Pattern: pattern + "[:EVENt]", Query: func(*Call) (string, error) {
			r.Update()
			e := r.event
			r.event = 0
			return strconv.Itoa(e), nil
		}},
		settable("ENABle", &r.enable),
		settable("PTRansition", &r.positive),
		settable("NTRansition", &r.negative),
	}
}

// register takes a whole number from 0 to most into a register, keeping the bits of mask.
func (c *Call) register(field *int, most float64, mask int) error {
	v, err := c.Number(Range{Maximum: most})
	if err == nil {
		err = c.Done()
	}
	if err != nil {
		return err
	}
	*field = int(v+0.5) & mask
	return nil
}

// Watch makes registers part of *CLS and STATus:PRESet. The first is the QUEStionable, the second the OPERation
// register of the status byte; any more only take part in clearing.
func (in *Interpreter) Watch(registers ...*Register) { in.registry = registers }

// statusByte puts the summaries together.
func (in *Interpreter) statusByte() int {
	b := 0
	set := func(on bool, bit int) {
		if on {
			b |= bit
		}
	}
	set(len(in.queue.entries) > 0, errorQueueBit)
	set(len(in.registry) > 0 && in.registry[0].summary(), questionableBit)
	set(in.response, messageBit)
	set(in.event&in.eventOn != 0, eventBit)
	set(len(in.registry) > 1 && in.registry[1].summary(), operationBit)
	set(b&in.service != 0, masterBit)
	return b
}

// PowerOn does what switching the instrument off and on does to the listener.
func (in *Interpreter) PowerOn() {
	in.queue.entries = nil
	in.event, in.eventOn, in.service = powerOn, 0, 0
	for _, r := range in.registry {
		r.preset()
		r.event = 0
	}
}
