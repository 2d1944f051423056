// Package language is the listening end of SCPI-1999 and IEEE 488.2: it takes program messages apart, finds the
// command each unit names, keeps the error queue and the status registers, and writes response messages. It knows
// no instrument: the instrument hands it a list of commands.
//
// What it keeps of the standards: short and long mnemonics in any case, optional nodes, numeric suffixes, the header
// path of compound messages (a unit without a leading colon continues where the last one stood; common commands leave the path alone), units
// and MINimum, MAXimum, DEFault for numbers, channel lists, the classes of errors and the bits they set, a bounded first-in
// first-out error queue whose overflow is −350, and the summary bits of the status byte. On a wire without
// handshake there is no interrupted or unterminated query, so −410 to −440 never arise.
package language

import "strings"

// Interpreter is one listener. It is not safe for use by several goroutines.
type Interpreter struct {
	root     *node
	registry []*Register
	queue    queue
	event    int // standard event status register
	eventOn  int // its enable register
	service  int // service request enable register
	identity func() string
	reset    func()
	maximum  int // bytes of one program message
	pending  strings.Builder
	response bool // a response unit is already waiting: MAV
}

// Options are what the instrument brings along.
type Options struct {
	Commands []Command
	Identity func() string // the answer to *IDN?
	Reset    func()        // what *RST does
	Errors   int           // length of the error queue; 0 means 20
	Longest  int           // longest program message in bytes; 0 means 1024
}

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

// New builds a listener. It panics if a pattern is malformed, because patterns are program text.
func New(o Options) *Interpreter {
	in := &Interpreter{root: &node{}, identity: o.Identity, reset: o.Reset, maximum: o.Longest}
	in.queue.limit = o.Errors
	if in.queue.limit == 0 {
		in.queue.limit = 20
	}
	if in.maximum == 0 {
		in.maximum = 1024
	}
	for _, c := range append(common(in), o.Commands...) {
		in.root.add(c)
	}
	in.event = powerOn
	return in
}

// Handle executes one program message and returns the response message with its line feed, or "" if nothing was asked.
func (in *Interpreter) Handle(message string) string {
	in.pending.Reset()
	in.response = false
	if len(message) > in.maximum {
		in.raise(Error{Number: BufferOverrun})
		return ""
	}
	in.run(strings.TrimRight(message, "\r\n"))
	if !in.response {
		return ""
	}
	in.pending.WriteByte('\n')
	return in.pending.String()
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
		if err != nil {
			in.raise(err)
			if isCommandError(err) {
				return
			}
		}
		if !u.common && len(u.keywords) > 0 {
			path = u.keywords[:len(u.keywords)-1]
		}
	}
}

// execute finds the command of one unit, runs it, and appends its response.
func (in *Interpreter) execute(u unit) error {
	call := &Call{arguments: u.arguments}
	command, err := in.root.find(u.keywords, call)
	if err != nil {
		return err
	}
	if u.query {
		if command.Query == nil {
			return Error{Number: UndefinedHeader, Info: u.text}
		}
		answer, err := command.Query(call)
		if err == nil {
			err = call.finished()
		}
		if err != nil {
			return err
		}
		if in.response {
			in.pending.WriteByte(';')
		}
		in.pending.WriteString(answer)
		in.response = true
		return nil
	}
	if command.Set == nil {
		return Error{Number: UndefinedHeader, Info: u.text}
	}
	return command.Set(call)
}
