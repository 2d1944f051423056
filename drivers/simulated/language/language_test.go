package language

import "testing"

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
	fixed := func(answer string) func(int) string { return func(int) string { return answer } }
	commands := []Command{
		{
			Pattern: "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
			Range:   func(int) Range { return Range{Maximum: 30, Default: 5, Unit: "V"} },
			Set:     func(c int, v float64) error { b.volts, b.channel = v, c; return nil },
			Query:   func(int) string { return Decimal(b.volts) },
		},
		{Pattern: "[SOURce]:VOLTage:PROTection[:LEVel]", Query: fixed("33")},
		{
			Pattern: "[SOURce]:CURRent[:LEVel]",
			Range:   func(int) Range { return Range{Maximum: 5, Unit: "A"} },
			Set: func(_ int, v float64) error {
				if v == 4 {
					return SettingsConflict
				}
				b.current = v
				return nil
			},
			Query: func(int) string { return Decimal(b.current) },
		},
		{Pattern: "MEASure[:SCALar]:VOLTage[:DC]", Query: fixed("1.25")},
		{Pattern: "MEASure[:SCALar]:CURRent[:DC]", Query: fixed("2.5")},
		{
			Pattern: "OUTPut[:STATe]",
			Range:   func(int) Range { return Range{Flag: true} },
			Set:     func(_ int, v float64) error { b.on = v != 0; return nil },
			Query:   func(int) string { return map[bool]string{true: "1", false: "0"}[b.on] },
		},
	}
	b.Interpreter = New(Options{
		Commands: commands,
		Identity: func() string { return "EXAMPLE,BENCH,1,2" },
		Reset:    func() { b.resets++ },
		Channels: 3, Selected: func() int { return 1 },
	})
	return b
}

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
