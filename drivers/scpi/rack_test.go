//go:build unix

package scpi

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"go.uber.org/goleak"

	"nightcell/daemon/housetest"
	"nightcell/drivers"
)

func TestMain(m *testing.M) {
	housetest.Properties()
	goleak.VerifyTestMain(m)
}

// unguarded is a pseudo-terminal that a test unplugs itself.
type unguarded struct {
	path      string
	far, near *os.File
	peer      *peer
	once      sync.Once
}

func (p *peer) onPTYUnguarded(t *testing.T) *unguarded {
	t.Helper()
	far, near := openPTY(t)
	u := &unguarded{path: near.Name(), far: far, near: near, peer: p}
	makeRaw(t, near.Name())
	p.serve(far)
	t.Cleanup(u.unplug)
	return u
}

// unplug hangs the near end up, as pulling an adapter out does.
func (u *unguarded) unplug() {
	u.once.Do(func() {
		close(u.peer.stop)
		u.far.Close()
		u.near.Close()
		u.peer.done.Wait()
	})
}

// twoChannels is a peer with two channels addressed by list.
func twoChannels() *peer {
	p := newPeer()
	for n, c := range map[string][2]string{"(@1)": {"3.2140", "3.0010"}, "(@2)": {"12.0000", "0.5000"}} {
		p.set("MEAS:VOLT? "+n, c[0])
		p.set("MEAS:CURR? "+n, c[1])
		p.set("CURR? "+n, "3.0000")
		p.set("OUTP? "+n, "1")
	}
	return p
}

// Two channels of one instrument share its line, from two goroutines, and do not mix.
func TestSharedLine(t *testing.T) {
	p := twoChannels()
	d := quick()
	d.Addressing = AddressList
	s := settings(t, p.onTCP(t), d)
	var rack Rack
	open := func(channel int) *Supply {
		s := s
		s.Channel = channel
		c, err := rack.Open(t.Context(), s, drivers.NewClock(1))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	one, two := open(1), open(2)
	var all sync.WaitGroup
	for c, want := range map[*Supply][2]float64{one: {3.214, 3.001}, two: {12, 0.5}} {
		all.Go(func() {
			for i := range 40 {
				r, err := c.Poll(t.Context())
				if err != nil {
					t.Error(err)
					return
				}
				if float64(r.Volts) != want[0] || float64(r.Amperes) != want[1] {
					t.Errorf("read %v, %v; want %v", r.Volts, r.Amperes, want)
				}
				if i == 20 {
					if _, err := c.Status(t.Context()); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	all.Wait()
	other := s
	other.Dialect.Echo = true
	if _, err := rack.Open(t.Context(), other, drivers.NewClock(1)); err == nil || !strings.Contains(err.Error(), "another line or dialect") {
		t.Errorf("the same line in another dialect: %v", err)
	}
	if err := one.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := two.Poll(t.Context()); err != nil {
		t.Errorf("the line went with the first of its channels: %v", err)
	}
	if err := two.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := two.Poll(t.Context()); err == nil {
		t.Error("a closed supply was polled")
	}
	if err := open(1).Close(); err != nil { // the lock is free again
		t.Fatal(err)
	}
}

// After a line is lost, each channel opens anew on its own, and what was learned stays learned.
func TestReopen(t *testing.T) {
	p := newPeer()
	missing := []string{"VOLT:PROT:TRIP?", "STAT:QUES:COND?"}
	p.unknown(missing...)
	cable := p.onPTYUnguarded(t)
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(cable.path, link); err != nil {
		t.Fatal(err)
	}
	var rack Rack
	s := settings(t, link, quick())
	open := func() *Supply {
		c, err := rack.Open(t.Context(), s, drivers.NewClock(1))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	one, two := open(), open()
	if _, err := one.Status(t.Context()); err != nil {
		t.Fatal(err)
	}
	cable.unplug()
	for _, c := range []*Supply{one, two} {
		if _, err := c.Poll(t.Context()); err == nil {
			t.Fatal("polled without a cable")
		}
	}
	if _, err := rack.Open(t.Context(), s, drivers.NewClock(1)); err == nil {
		t.Fatal("opened without a cable")
	}
	p.stop = make(chan struct{})
	again := p.onPTYUnguarded(t)
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(again.path, link); err != nil {
		t.Fatal(err)
	}
	if err := one.Close(); err != nil {
		t.Error(err)
	}
	one = open()
	if err := two.Close(); err != nil { // after the other has a new line: it must not take that away
		t.Error(err)
	}
	two = open()
	p.heard()
	for _, c := range []*Supply{one, two} {
		if _, err := c.Status(t.Context()); err != nil {
			t.Error(err)
		}
		if r, err := c.Poll(t.Context()); err != nil || r.Volts != 3.214 {
			t.Errorf("reading %+v, %v", r, err)
		}
	}
	for _, q := range missing {
		if count(p.heard(), q) != 0 {
			t.Errorf("%s was asked again", q)
		}
	}
	for _, c := range []*Supply{one, two} {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A poll costs no memory.
func TestPollAllocations(t *testing.T) {
	for name, both := range map[string]string{"together": Standard().MeasureBoth, "separately": ""} {
		far, near := openPTY(t)
		makeRaw(t, near.Name())
		ended := make(chan struct{})
		go func() { // ends when far is closed
			defer close(ended)
			b := make([]byte, 64)
			answers := map[byte][]byte{'*': []byte(peerIdentity + "\n"), 'M': []byte("3.2140\n"), 'm': []byte("3.2140;3.0010\n"), 'S': []byte("1024\n"), 'O': []byte("1\n")}
			for {
				n, err := far.Read(b)
				if err != nil {
					return
				}
				kind := b[0]
				if n > len("MEAS:VOLT?\n") && kind == 'M' {
					kind = 'm'
				}
				if _, err := far.Write(answers[kind]); err != nil {
					return
				}
			}
		}()
		d := Standard()
		d.MeasureBoth = both
		s := settings(t, near.Name(), d)
		c, err := new(Rack).Open(t.Context(), s, drivers.NewClock(1))
		if err != nil {
			t.Fatal(err)
		}
		if n := testing.AllocsPerRun(100, func() { // with the questions for mode and output state on every fifth
			if _, err := c.Poll(t.Context()); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%s: %v allocations in a poll", name, n)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
		far.Close()
		<-ended
		near.Close()
	}
}

// An error queue that fell silent after one channel has read it is found silent by the other too, and asked for no more.
func TestQueueFallsSilent(t *testing.T) {
	p := twoChannels()
	d := quick()
	d.Addressing = AddressList
	s := settings(t, p.onTCP(t), d)
	var rack Rack
	var both [2]*Supply
	for i := range both {
		s.Channel = i + 1
		c, err := rack.Open(t.Context(), s, drivers.NewClock(1))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() }) // the peer goes with the test
		both[i] = c
	}
	if _, err := both[0].Status(t.Context()); err != nil {
		t.Fatal(err)
	}
	p.mu.Lock()
	p.silent["SYST:ERR?"] = true
	p.mu.Unlock()
	p.heard()
	for range 2 {
		if st, err := both[1].Status(t.Context()); err != nil || st.Output != drivers.OutputOn {
			t.Errorf("%+v, %v", st, err)
		}
	}
	if n := count(p.heard(), "SYST:ERR?"); n != 2 {
		t.Errorf("the silent queue was asked %d times", n)
	}
}
