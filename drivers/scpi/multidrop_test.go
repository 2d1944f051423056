package scpi

import (
	"errors"
	"math"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// onDrop runs f with two supplies on one RS-485 line, units 1 and 2, in virtual time. Both were opened by one Rack.
func onDrop(t *testing.T, f func(t *testing.T, slaves drop, rack *Rack, one, two *Supply)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		slaves := drop{1: newSlave(4711, 3001), 2: newSlave(4712, 1500)}
		near, far := net.Pipe()
		go slaves.serve(far)
		first := line.New(near, unit(1).Line)
		rack := &Rack{lines: map[string]*bus{"tcp://pipe": {units: map[int]*shared{}, line: first}}}
		var both [3]*Supply
		for n := 1; n <= 2; n++ {
			var err error
			if both[n], err = rack.Open(t.Context(), unit(n), drivers.NewClock(1)); err != nil {
				t.Fatal(err)
			}
			if err := first.Close(); err != nil { // the line lives by its units alone
				t.Error(err)
			}
		}
		f(t, slaves, rack, both[1], both[2])
		if err := errors.Join(both[1].Close(), both[2].Close()); err != nil {
			t.Errorf("close: %v", err)
		}
		if _, err := far.Write([]byte{0}); err == nil {
			t.Error("the line is open after the last unit was closed")
		}
		far.Close()
		synctest.Wait()
	})
}

// unit are the settings of a supply on the line.
func unit(n int) Settings {
	d := mapped()
	d.Unit = n
	s := Settings{Line: line.Settings{Address: "tcp://pipe"}, Dialect: d, RangeVolts: 32, RangeAmperes: 5}
	return s.withDefaults()
}

// tally is what some polls in a row came to.
type tally struct {
	good, bad int
	held      int // took more than 200 ms
	longest   time.Duration
	said      string // the refusals
}

// polled polls once a second for a minute, and demands that no reading is another supply's.
func polled(t *testing.T, c *Supply, amperes float64) (n tally) {
	begun := time.Now()
	for i := range 60 {
		<-time.After(time.Until(begun.Add(time.Duration(i) * time.Second)))
		before := time.Now()
		r, err := c.Poll(t.Context())
		if took := time.Since(before); took > 200*time.Millisecond {
			n.held++
		}
		n.longest = max(n.longest, time.Since(before))
		if err != nil {
			n.bad++
			n.said += err.Error() + "\n"
			continue
		}
		if n.good++; math.Abs(float64(r.Amperes)-amperes) > 1e-9 {
			t.Errorf("%v A, the supply gives %v A", r.Amperes, amperes)
		}
	}
	return n
}

// Two supplies share a line. What befalls the one is its own affair: the other reads every second, and waits for no more than one time-out.
func TestUnitsOnOneLine(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(q, a []byte) ([]byte, time.Duration)
		most  time.Duration // that a poll of the other may take
		held  int           // of its polls, that may take more than 200 ms
		bad   [2]int        // of the polls of the one, at least and at most
		said  string
	}{
		"both well":  {nil, 100 * time.Millisecond, 0, [2]int{0, 0}, ""},
		"silent":     {func([]byte, []byte) ([]byte, time.Duration) { return nil, 0 }, 1100 * time.Millisecond, 20, [2]int{30, 60}, "no-reply"},
		"late":       {func(_, a []byte) ([]byte, time.Duration) { return a, 1200 * time.Millisecond }, 1100 * time.Millisecond, 20, [2]int{30, 60}, ""},
		"garbled":    {func(_, a []byte) ([]byte, time.Duration) { a[3] ^= 8; return a, 0 }, 200 * time.Millisecond, 0, [2]int{60, 60}, "wrong checksum"},
		"refuses":    {func(q, _ []byte) ([]byte, time.Duration) { return checksum([]byte{q[0], 0x83, 4}), 0 }, 200 * time.Millisecond, 0, [2]int{60, 60}, "device failure"},
		"a stranger": {func(q, a []byte) ([]byte, time.Duration) { a[0] = 9; return checksum(a[:len(a)-2]), 0 }, 200 * time.Millisecond, 0, [2]int{60, 60}, "of unit 9"},
	} {
		t.Run(name, func(t *testing.T) {
			onDrop(t, func(t *testing.T, slaves drop, _ *Rack, one, two *Supply) {
				good(t, one)
				if r, err := two.Poll(t.Context()); err != nil || r.Amperes != 1.5 {
					t.Errorf("%+v, %v", r, err)
				}
				slaves[2].fault(c.spoil)
				before := one.refusals
				var of [2]tally
				var both sync.WaitGroup
				both.Go(func() { of[0] = polled(t, one, 3.001) })
				both.Go(func() { of[1] = polled(t, two, 1.5) })
				both.Wait()
				if of[0].good != 60 || one.refusals != before || of[0].longest > c.most || of[0].held > c.held {
					t.Errorf("the supply that is well: %+v, %d refusals", of[0], one.refusals-before)
				}
				if of[1].bad < c.bad[0] || of[1].bad > c.bad[1] || !strings.Contains(of[1].said, c.said) {
					t.Errorf("the other: %+v", of[1])
				}
				slaves[2].fault(nil)
				<-time.After(10 * time.Second)
				if r, err := two.Poll(t.Context()); err != nil || r.Amperes != 1.5 {
					t.Errorf("once it is well again: %+v, %v", r, err)
				}
			})
		})
	}
}

// A command reaches its own unit, also one that was silent a moment ago.
func TestOffOnOneLine(t *testing.T) {
	onDrop(t, func(t *testing.T, slaves drop, _ *Rack, one, two *Supply) {
		slaves[2].fault(func([]byte, []byte) ([]byte, time.Duration) { return nil, 0 })
		for range 3 {
			if _, err := two.Poll(t.Context()); err == nil {
				t.Error("a silent supply gave a reading")
			}
		}
		slaves[2].fault(nil)
		if err := two.SwitchOff(t.Context()); err != nil {
			t.Error(err)
		}
		if st, err := two.Status(t.Context()); err != nil || st.Output != drivers.OutputOff {
			t.Errorf("%+v, %v", st, err)
		}
		if st, err := one.Status(t.Context()); err != nil || st.Output != drivers.OutputOn || len(slaves[1].heard) > 0 {
			t.Errorf("%+v, %v: the other supply was meant", st, err)
		}
	})
}

// A unit that leaves, is another or takes other settings leaves the rest alone; a lost line is lost to all.
func TestLineOfUnits(t *testing.T) {
	onDrop(t, func(t *testing.T, slaves drop, rack *Rack, one, two *Supply) {
		other := unit(3)
		other.Line.Baud = 19200
		if _, err := rack.Open(t.Context(), other, drivers.NewClock(1)); err == nil || !strings.Contains(err.Error(), "same protocol, baud rate and framing") {
			t.Errorf("another rate: %v", err)
		}
		again := unit(2)
		again.Dialect.Output = "holding 19"
		if _, err := rack.Open(t.Context(), again, drivers.NewClock(1)); err == nil || !strings.Contains(err.Error(), "another line or dialect") {
			t.Errorf("the same unit in another dialect: %v", err)
		}
		if _, err := rack.Open(t.Context(), unit(3), drivers.NewClock(1)); err == nil || !strings.Contains(err.Error(), "no-reply") {
			t.Errorf("a unit that is not there: %v", err)
		}
		if err := two.Close(); err != nil {
			t.Error(err)
		}
		if _, err := two.Poll(t.Context()); err == nil {
			t.Error("a closed supply was polled")
		}
		good(t, one)
		slower := unit(2)
		slower.Dialect.Timeout = Wait(3 * time.Second) // of one's own
		back, err := rack.Open(t.Context(), slower, drivers.NewClock(1))
		if err != nil {
			t.Fatal(err)
		}
		slaves[2].fault(func(_, a []byte) ([]byte, time.Duration) { return a, 2 * time.Second })
		if err := back.SwitchOff(t.Context()); err != nil {
			t.Errorf("a slow acknowledgement: %v", err)
		}
		before := one.refusals
		slaves[1].fault(func(_, a []byte) ([]byte, time.Duration) { return append(a, checksum([]byte{2, 3, 2, 0, 5})...), 0 })
		if good(t, one); one.refusals != before {
			t.Error("a late frame of the other unit behind an answer spoils it")
		}
		slaves[1].fault(nil)
		slaves[2].fault(nil)
		if err := back.Close(); err != nil {
			t.Error(err)
		}
		good(t, one)
	})
}

// A line on which no unit answers for long is lost to all of them, lest a hung adapter stay open for the sake of the others; one that answers keeps it.
func TestHungLine(t *testing.T) {
	for _, hung := range []bool{true, false} {
		onDrop(t, func(t *testing.T, slaves drop, _ *Rack, one, two *Supply) {
			mute := func([]byte, []byte) ([]byte, time.Duration) { return nil, 0 }
			if slaves[2].fault(mute); hung {
				slaves[1].fault(mute)
			}
			_, before := one.Poll(t.Context()) // it is not asked again before the end
			var err error
			for n := 0; n < 1000 && !errors.Is(err, drivers.ErrGone); n++ {
				if _, err = two.Poll(t.Context()); !hung {
					_, before = one.Poll(t.Context())
				}
				<-time.After(time.Second)
			}
			if !errors.Is(err, drivers.ErrGone) || errors.Is(before, drivers.ErrGone) || (before != nil) != hung {
				t.Fatalf("%v; the other: %v", err, before)
			}
			if _, err := one.Poll(t.Context()); errors.Is(err, drivers.ErrGone) != hung {
				t.Errorf("hung %v: the other: %v", hung, err)
			}
		})
	}
}
