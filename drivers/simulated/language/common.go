package language

import (
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
			if err := c.finished(); err != nil {
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
