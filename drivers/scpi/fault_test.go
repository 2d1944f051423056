//go:build unix

package scpi

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
)

func TestUnplug(t *testing.T) {
	p := newPeer()
	far := p.onPTYUnguarded(t)
	c, err := new(Rack).Open(t.Context(), settings(t, far.path, quick()), drivers.NewClock(1))
	if err != nil {
		t.Fatal(err)
	}
	far.unplug()
	if _, err := c.Poll(t.Context()); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("poll: %v, want an error that wraps ErrGone", err)
	}
	for name, f := range map[string]func() error{
		"poll":        func() error { _, err := c.Poll(t.Context()); return err },
		"status":      func() error { _, err := c.Status(t.Context()); return err },
		"identify":    func() error { _, err := c.Identify(t.Context()); return err },
		"switch off":  func() error { return c.SwitchOff(t.Context()) },
		"set current": func() error { return c.SetCurrent(t.Context(), 0.1) },
	} {
		if err := f(); !errors.Is(err, drivers.ErrGone) {
			t.Errorf("%s on a dead line: %v, want an error that wraps ErrGone", name, err)
		}
	}
	for range 2 {
		if err := c.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
}

// Another instrument in the old one's place is refused by name, and the line given
// up, so that whoever opens it anew checks who answers.
func TestSwapped(t *testing.T) {
	p := newPeer()
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	if _, err := c.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	p.set("*IDN?", "EXAMPLE,PS-30-5,0002,1.0")
	_, err := c.Identify(t.Context())
	wantRefusal(t, err, drivers.Misidentified)
	if !errors.Is(err, drivers.ErrGone) {
		t.Errorf("error %v does not wrap ErrGone", err)
	}
}

// An identity garbled on the way is not taken for another instrument.
func TestGarbledIdentity(t *testing.T) {
	p := newPeer()
	garble := func(n int) {
		p.mangling(func(q, a string) []piece {
			if q == "*IDN?" && n > 0 {
				n--
				return []piece{{0, strings.Replace(a, "0001", "0003", 1)}}
			}
			return []piece{{0, a}}
		})
	}
	garble(1)
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	garble(1)
	for range 2 {
		id, err := c.Identify(t.Context())
		if err != nil || id.String() != peerIdentity {
			t.Errorf("identity %v, %v", id, err)
		}
	}
}

// A supply that does not answer when the line is opened: the error says what to look at.
func TestOpenHints(t *testing.T) {
	for _, c := range []struct {
		name   string
		mangle func(q, a string) []piece
		want   string
	}{
		{"silence", func(string, string) []piece { return nil }, "check that the supply is on"},
		{"carriage return", func(_, a string) []piece { return []piece{{0, strings.TrimSpace(a) + "\r"}} }, "set reply_terminator"},
		{"garbage", func(string, string) []piece { return []piece{{0, "\xf0\x81\xff"}} }, "wrong baud rate"},
		{"echo", func(q, _ string) []piece { return []piece{{0, q + "\n"}} }, "set echo = true"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPeer()
				p.mangling(c.mangle)
				_, err := supplyOn(t, newWire(p), Settings{})
				var r *drivers.Refusal
				if err == nil || !strings.Contains(err.Error(), c.want) || !errors.As(err, &r) {
					t.Errorf("%v does not say %q", err, c.want)
				}
			})
		})
	}
}

// A jump is measured again: a garbled digit goes, a real step stays.
func TestJumps(t *testing.T) {
	for _, both := range []string{"", Standard().MeasureBoth} {
		p := newPeer()
		d := quick()
		d.MeasureBoth = both
		s := settings(t, p.onTCP(t), d)
		noted := 0
		s.StatusEvery, s.Noted = -1, func(*drivers.Refusal) { noted++ }
		c := mustOpen(t, s)
		poll := func(volts drivers.Volts, amperes drivers.Amperes) {
			t.Helper()
			r, err := c.Poll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			wantReading(t, r, volts, amperes)
		}
		poll(3.214, 3.001)
		garbled := false
		p.mangling(func(q, a string) []piece {
			if strings.Contains(a, "3.2140") && !garbled {
				garbled = true
				a = strings.Replace(a, "3.2140", "7.2140", 1)
			}
			return []piece{{0, a}}
		})
		poll(3.214, 3.001)
		if noted != 1 {
			t.Errorf("%d refusals noted for a garbled digit, want 1", noted)
		}
		p.mangling(nil)
		p.set("MEAS:CURR?", "0.4000")
		p.set("STAT:QUES:COND?", "2")
		p.heard()
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 0.4)
		if r.Mode != drivers.ConstantVoltage {
			t.Errorf("after a jump the mode is %v, want it asked at once", r.Mode)
		}
		poll(3.214, 0.4)
	}
}

// Where a cell jumps about for good, readings go on.
func TestUnrest(t *testing.T) {
	p := newPeer()
	n := 0
	p.each = func() {
		p.answers["MEAS:CURR?"] = []string{"0.5000", "1.5000", "2.5000", "0.9000", "1.9000", "2.9000", "1.2000"}[n%7]
		n++
	}
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	for range 20 {
		if _, err := c.Poll(t.Context()); err != nil {
			t.Error(err)
		}
	}
}

// Mode and output state are asked every StatusEvery polls.
func TestStatusEvery(t *testing.T) {
	p := newPeer()
	s := settings(t, p.onTCP(t), quick())
	s.StatusEvery = 4
	c := mustOpen(t, s)
	var asked []int
	for i := range 12 {
		p.heard()
		if _, err := c.Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
		if slices.Contains(p.heard(), "OUTP?") {
			asked = append(asked, i)
		}
	}
	if !slices.Equal(asked, []int{0, 4, 8}) {
		t.Errorf("asked at polls %v, want 0, 4, 8", asked)
	}
}

// More current than the set-point allows is refused, unless the set-point was raised by hand.
func TestBeyondCurrent(t *testing.T) {
	p := newPeer()
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	if _, err := c.Status(t.Context()); err != nil { // 3 A
		t.Fatal(err)
	}
	p.set("MEAS:CURR?", "3.3400") // 10 % and 1 % of the range: 3.35 A are the limit
	r, err := c.Poll(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	wantReading(t, r, 3.214, 3.34)
	p.set("MEAS:CURR?", "3.3600")
	_, err = c.Poll(t.Context())
	wantRefusal(t, err, drivers.BeyondCurrent)
	p.set("CURR?", "4.0000")
	if r, err = c.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	wantReading(t, r, 3.214, 3.36)
	p.set("MEAS:CURR?", "-4.6000")
	_, err = c.Poll(t.Context())
	wantRefusal(t, err, drivers.BeyondCurrent)
	p.set("MEAS:CURR?", "3.0010")
	p.set("MEAS:VOLT?", "32.7000") // 2 % above the range
	_, err = c.Poll(t.Context())
	wantRefusal(t, err, drivers.BeyondVoltage)
}

// A reply that comes after the time-out, in every place of the conversation, costs
// that one poll.
func TestLateReply(t *testing.T) {
	for _, both := range []string{"", Standard().MeasureBoth} {
		for at := range 8 {
			p := newPeer()
			d := Standard()
			d.MeasureBoth = both
			inBubble(t, p, Settings{Dialect: d, StatusEvery: 2}, func(t *testing.T, c *Supply) {
				n := -1
				p.mangling(func(_, a string) []piece {
					if n++; n == at {
						return []piece{{1300 * time.Millisecond, a}}
					}
					return []piece{{0, a}}
				})
				refused := 0
				for range 6 {
					r, err := c.Poll(t.Context())
					if err != nil {
						wantRefusal(t, err, drivers.NoReply)
						refused++
						continue
					}
					wantReading(t, r, 3.214, 3.001)
				}
				if refused > 1 {
					t.Errorf("answer %d late: %d polls refused, want at most 1", at, refused)
				}
			})
		}
	}
}

// A line that stays silent is given up in the end, so that it is opened anew.
func TestLongSilence(t *testing.T) {
	p := newPeer()
	inBubble(t, p, Settings{}, func(t *testing.T, c *Supply) {
		if _, err := c.Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
		p.mangling(func(string, string) []piece { return nil })
		for i := range silentLimit + 1 { // the first is a poll, the others search
			_, err := c.Poll(t.Context())
			wantRefusal(t, err, drivers.NoReply)
			if gone := errors.Is(err, drivers.ErrGone); gone != (i == silentLimit) {
				t.Errorf("poll %d: %v", i, err)
			}
		}
	})
}

// A supply that answers again after it said nothing even to the question who it is may have been
// without power: the reading is good, and the silence is told all the same.
func TestSilenceBeforeAReadingIsTold(t *testing.T) {
	p := newPeer()
	var noted []*drivers.Refusal
	inBubble(t, p, Settings{Noted: func(r *drivers.Refusal) { noted = append(noted, r) }}, func(t *testing.T, c *Supply) {
		if _, err := c.Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
		noted = nil
		unanswered := 2 // the reading, and the first question who it is
		p.mangling(func(_, a string) []piece {
			if unanswered--; unanswered >= 0 {
				return nil
			}
			return []piece{{0, a}}
		})
		_, err := c.Poll(t.Context())
		wantRefusal(t, err, drivers.NoReply)
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 3.001)
		if len(noted) != 1 || noted[0].Reason != drivers.NoReply || noted[0].Query != "*IDN?" || noted[0].Answer != "" {
			t.Errorf("told %v, want that *IDN? was not answered", noted)
		}
	})
}

// A cancelled poll leaves an answer under way; the next reading is not made of it.
func TestCancelledPoll(t *testing.T) {
	p := newPeer()
	inBubble(t, p, Settings{}, func(t *testing.T, c *Supply) {
		ctx, cancel := context.WithCancel(t.Context())
		p.mangling(func(_, a string) []piece {
			cancel()
			p.mangling(nil)
			return []piece{{300 * time.Millisecond, a}}
		})
		if _, err := c.Poll(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled poll: %v", err)
		}
		p.set("MEAS:CURR?", "2.0000")
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 2)
	})
}

// A reading's time is the middle of the exchange that asked for the current, on the clock it was given.
func TestReadingTime(t *testing.T) {
	for _, both := range []string{"", Standard().MeasureBoth} {
		p := newPeer()
		d := Standard()
		d.MeasureBoth = both
		inBubble(t, p, Settings{Dialect: d, StatusEvery: -1}, func(t *testing.T, c *Supply) {
			if _, err := c.Poll(t.Context()); err != nil {
				t.Fatal(err)
			}
			c.clock = drivers.NewClock(60)
			p.mangling(func(q, a string) []piece {
				if strings.Contains(q, "CURR") {
					return []piece{{98 * time.Millisecond, a}} // and 2 ms of thought
				}
				return []piece{{0, a}}
			})
			begin := c.clock.Now()
			r, err := c.Poll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			before := time.Millisecond // the line looks for stray bytes first
			took := 100 * time.Millisecond
			if both == "" {
				before += 3 * time.Millisecond
				took += 3 * time.Millisecond
			}
			wantAt := begin + 60*(before+50*time.Millisecond)
			if d := r.At - wantAt; d < -time.Millisecond || d > time.Millisecond {
				t.Errorf("both %q: at %v, want %v", both, r.At-begin, wantAt-begin)
			}
			if d := r.Took - 60*took; d < -time.Millisecond || d > time.Millisecond {
				t.Errorf("both %q: took %v, want %v", both, r.Took, 60*took)
			}
		})
	}
}
