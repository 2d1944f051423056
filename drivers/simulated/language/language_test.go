package language

import (
	"strconv"
	"testing"
)

// bench is a small instrument with one voltage, to have something to talk to.
type bench struct {
	*Interpreter
	volts, current float64
	channel        int
	on             bool
	resets         int
}

func newBench() *bench {
	b := &bench{}
	commands := []Command{
		{
			Pattern: "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
			Set: func(c *Call) error {
				list, err := c.Channels(3)
				if err != nil {
					return err
				}
				v, err := c.Number(Range{Maximum: 30, Default: 5, Unit: "V"})
				if err == nil {
					err = c.Done()
				}
				if err != nil {
					return err
				}
				b.volts, b.channel = v, 1
				if n, ok := c.Suffix(); ok {
					b.channel = n
				}
				if list != nil {
					b.channel = list[len(list)-1]
				}
				return nil
			},
			Query: func(c *Call) (string, error) {
				r := Range{Maximum: 30, Default: 5}
				if v, ok, err := c.Limit(r); ok || err != nil {
					return format(v), err
				}
				return format(b.volts), nil
			},
		},
		{Pattern: "[SOURce]:VOLTage:PROTection[:LEVel]", Query: func(*Call) (string, error) { return "33", nil }},
		{
			Pattern: "[SOURce]:CURRent[:LEVel]",
			Set: func(c *Call) error {
				v, err := c.Number(Range{Maximum: 5, Unit: "A"})
				if err == nil {
					b.current = v
				}
				return err
			},
			Query: func(*Call) (string, error) { return format(b.current), nil },
		},
		{Pattern: "MEASure[:SCALar]:VOLTage[:DC]", Query: func(*Call) (string, error) { return "1.25", nil }},
		{Pattern: "MEASure[:SCALar]:CURRent[:DC]", Query: func(*Call) (string, error) { return "2.5", nil }},
		{
			Pattern: "OUTPut[:STATe]",
			Set: func(c *Call) error {
				on, err := c.Boolean()
				if err == nil {
					b.on = on
				}
				return err
			},
			Query: func(*Call) (string, error) { return map[bool]string{true: "1", false: "0"}[b.on], nil },
		},
	}
	b.Interpreter = New(Options{
		Commands: commands,
		Identity: func() string { return "EXAMPLE,BENCH,1,2" },
		Reset:    func() { b.resets++ },
	})
	return b
}

func format(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// exchange is a message and what must come back.
type exchange struct{ send, want string }

func (b *bench) talk(t *testing.T, talk []exchange) {
	t.Helper()
	for _, e := range talk {
		if got := b.Handle(e.send); got != e.want {
			t.Errorf("%q answered %q, want %q", e.send, got, e.want)
		}
	}
}
