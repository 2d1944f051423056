//go:build unix

package scpi

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"nightcell/drivers"
)

// transports names the ways to reach a peer.
var transports = map[string]func(*peer, testing.TB) string{
	"pty": func(p *peer, t testing.TB) string { return p.onPTY(t) },
	"tcp": func(p *peer, t testing.TB) string { return p.onTCP(t) },
}

func TestSupply(t *testing.T) {
	for name, reach := range transports {
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			c := mustOpen(t, settings(t, reach(p, t), quick()))
			id, err := c.Identify(t.Context())
			if err != nil || id.String() != peerIdentity || id.Serial != "0001" {
				t.Errorf("identity %v, %v", id, err)
			}
			st, err := c.Status(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			st.At = 0
			want := drivers.Status{Output: drivers.OutputOn, Mode: drivers.ConstantCurrent,
				SetVolts: 6, SetAmperes: 3, LimitVolts: 7, LimitAmperes: 3.3}
			if !reflect.DeepEqual(st, want) {
				t.Errorf("status %+v, want %+v", st, want)
			}
			before := c.clock.Now()
			r, err := c.Poll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			wantReading(t, r, 3.214, 3.001)
			if r.At <= before || r.At >= c.clock.Now() || r.Took <= 0 || r.Mode != drivers.ConstantCurrent || r.Output != drivers.OutputOn {
				t.Errorf("reading %+v", r)
			}
			for _, q := range p.heard() {
				if q == "*RST" || q == "*CLS" || slices.Contains([]string{"OUTP ON", "OUTP 1"}, q) {
					t.Errorf("attaching sent %q", q)
				}
			}
		})
	}
}

// What the firmware does not know is asked once, and is unknown from then on.
func TestUnknownQueries(t *testing.T) {
	for _, silent := range []bool{false, true} {
		name := map[bool]string{false: "error queue tells", true: "nothing tells"}[silent]
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			missing := []string{"VOLT:PROT:TRIP?", "CURR:PROT:TRIP?", "STAT:QUES:COND?", "CURR:PROT?"}
			p.unknown(missing...)
			if silent {
				for _, q := range append(missing, "SYST:ERR?") {
					p.silent[q] = true
				}
			}
			noted := 0
			inBubble(t, p, Settings{Noted: func(*drivers.Refusal) { noted++ }}, func(t *testing.T, c *Supply) {
				for i := range 3 {
					st, err := c.Status(t.Context())
					if err != nil {
						t.Fatal(err)
					}
					if st.Mode != drivers.ModeUnknown || st.Output != drivers.OutputOn || !math.IsNaN(float64(st.LimitAmperes)) || st.SetAmperes != 3 || len(st.Errors) != 0 {
						t.Errorf("status %+v", st)
					}
					heard := p.heard()
					for _, q := range missing {
						if n := count(heard, q); i == 0 && n == 0 || i > 0 && n != 0 {
							t.Errorf("status %d asked %s %d times", i, q, n)
						}
					}
				}
				if noted == 0 {
					t.Error("no refusal was noted")
				}
				r, err := c.Poll(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				wantReading(t, r, 3.214, 3.001)
			})
		})
	}
}

func TestErrorQueueAndTrips(t *testing.T) {
	p := newPeer()
	p.queue = []string{`-222,"Data out of range"`, `-350,"Queue overflow"`}
	p.set("VOLT:PROT:TRIP?", "1")
	p.set("STAT:QUES:COND?", "16")
	p.set("VOLT:PROT?", "9.9E37")
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	st, err := c.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(st.Tripped, []string{"over-voltage", "over-temperature"}) || !math.IsNaN(float64(st.LimitVolts)) ||
		!slices.Equal(st.Errors, []string{`-222,"Data out of range"`, `-350,"Queue overflow"`}) {
		t.Errorf("status %+v", st)
	}
	if st, err = c.Status(t.Context()); err != nil || len(st.Errors) != 0 {
		t.Errorf("second status %+v, %v", st, err)
	}
}

func wantRefusal(t testing.TB, err error, why drivers.Reason) {
	t.Helper()
	var r *drivers.Refusal
	if !errors.As(err, &r) || r.Reason != why {
		t.Errorf("error %v, want a refusal for %s", err, why)
	}
}

// A first bad answer is refused with its reason, and the reading after it is good.
func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		name  string
		why   drivers.Reason
		wires []piece // in place of the answer
	}{
		{"silence", drivers.NoReply, nil},
		{"half a line", drivers.NoReply, []piece{{0, "3.21"}}},
		{"wrong terminator", drivers.NoReply, []piece{{0, "3.2140\r"}}},
		{"late", drivers.NoReply, []piece{{1300 * time.Millisecond, "3.2140\n"}}},
		{"not a number", drivers.NotANumber, []piece{{0, "9.91E37\n"}}},
		{"infinity", drivers.Overflow, []piece{{0, "9.9E37\n"}}},
		{"text", drivers.NotNumeric, []piece{{0, "ERROR 12\n"}}},
		{"merged", drivers.NotNumeric, []piece{{0, "3.21403.0010\n"}}},
		{"echo", drivers.Echo, []piece{{0, "MEAS:VOLT?\n"}}},
		{"blank", drivers.Blank, []piece{{0, "\n"}}},
		{"two lines", drivers.Unasked, []piece{{0, "3.2140\n3.0010\n"}}},
		{"beyond the range", drivers.BeyondVoltage, []piece{{0, "32140\n"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPeer()
			d := Standard()
			d.MeasureBoth = ""
			inBubble(t, p, Settings{Dialect: d, StatusEvery: -1}, func(t *testing.T, supply *Supply) {
				if _, err := supply.Poll(t.Context()); err != nil {
					t.Fatal(err)
				}
				p.mangling(func(q, a string) []piece {
					if q != "MEAS:VOLT?" {
						return []piece{{0, a}}
					}
					p.mangling(nil)
					return c.wires
				})
				_, err := supply.Poll(t.Context())
				wantRefusal(t, err, c.why)
				r, err := supply.Poll(t.Context())
				if err != nil {
					t.Fatalf("after the fault: %v", err)
				}
				wantReading(t, r, 3.214, 3.001)
			})
		})
	}
}
