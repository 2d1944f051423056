package language

import "strconv"

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
		err = c.finished()
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
