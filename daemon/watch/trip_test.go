package watch

import (
	"context"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/housetest"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// exchangeTime is how long one question takes on the tripping supply's wire.
const exchangeTime = 10 * time.Millisecond

// tripping is a supply whose current jumps over the limit at a moment of its own.
type tripping struct {
	clock drivers.Clock
	jump  time.Duration

	mu   sync.Mutex
	off  time.Duration // when OUTP OFF came; 0: not yet
	over time.Duration // time stamp of the first reading over the limit
}

func (s *tripping) wire() { <-time.After(exchangeTime) }

func (s *tripping) Poll(context.Context) (drivers.Reading, error) {
	asked := s.clock.Now()
	s.wire()
	s.mu.Lock()
	defer s.mu.Unlock()
	r := drivers.Reading{At: asked + exchangeTime/2, Took: exchangeTime, Volts: 3.7, Amperes: 3, Mode: drivers.ConstantCurrent, Output: drivers.OutputOn}
	switch {
	case s.off != 0:
		r.Amperes, r.Output = 0, drivers.OutputOff
	case r.At >= s.jump:
		r.Amperes = 3.6
		if s.over == 0 {
			s.over = r.At
		}
	}
	return r, nil
}

func (s *tripping) Identify(context.Context) (drivers.Identity, error) {
	s.wire()
	return drivers.Identity{Maker: "EXAMPLE", Model: "PS-30-5"}, nil
}

func (s *tripping) Status(context.Context) (drivers.Status, error) {
	s.wire()
	s.mu.Lock()
	defer s.mu.Unlock()
	st := drivers.Status{At: s.clock.Now(), Output: drivers.OutputOn, SetVolts: 6, SetAmperes: 4, LimitVolts: 8, LimitAmperes: 5}
	if s.off != 0 {
		st.Output = drivers.OutputOff
	}
	return st, nil
}

func (s *tripping) SwitchOff(context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.off = s.clock.Now() // the command is on the wire from now on
	return nil
}

func (s *tripping) SetCurrent(context.Context, drivers.Amperes) error { return nil }
func (s *tripping) Close() error                                      { return nil }

// TestOverLimitToOff trips a thousand times at random moments: from the reading over
// the limit to OUTP OFF on the wire it takes at most one poll and one exchange, and from the
// jump itself at most one poll, two exchanges and the time a status question was just taking.
func TestOverLimitToOff(t *testing.T) {
	t.Parallel() // it is the longest test, and the others leave it a core
	const poll = time.Second
	trips := housetest.Thinned(1000)
	random := rand.New(rand.NewPCG(1, 2))
	dir := t.TempDir()
	var fromReading, fromJump []time.Duration
	synctest.Test(t, func(t *testing.T) {
		settings := zincCell(t, &watchtest.Bench{Clock: drivers.NewClock(1)}, dir, `may = ["off"]`, `recover = "68 %"`,
			"[cell.zinc-1.alarm.over-current]\non_delay = \"0 s\"\nthen = \"off\"\n").settings
		settings.Plan, settings.FS, settings.Poll, settings.Limits.Poll = nil, nowhere{}, poll, poll
		for i := range trips {
			settings.DataDir = filepath.Join(dir, strconv.Itoa(i/20)) // each start looks through the cell's runs
			clock := drivers.NewClock(1)
			s := &tripping{clock: clock, jump: 2*time.Second + time.Duration(random.Int64N(int64(poll)))}
			settings.Open = func(context.Context, Noted) (drivers.Supply, error) { return s, nil }
			c := New(settings, MachineOf(clock))
			stop := watchtest.Start(t, c)
			<-time.After(5 * time.Second)
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			if s.off == 0 {
				t.Fatalf("trip %d: no OUTP OFF within 3 s of the jump", i)
			}
			fromReading = append(fromReading, s.off-s.over)
			fromJump = append(fromJump, s.off-s.jump)
		}
	})
	for _, d := range []struct {
		name  string
		all   []time.Duration
		limit time.Duration
	}{{"from the reading", fromReading, poll + exchangeTime}, {"from the jump", fromJump, poll + 3*exchangeTime}} {
		slices.Sort(d.all)
		t.Logf("%s to OUTP OFF, %d trips at a poll of %v: median %v, 99 %% %v, worst %v", d.name, trips, poll,
			d.all[trips/2], d.all[trips*99/100], d.all[trips-1])
		if worst := d.all[trips-1]; worst > d.limit {
			t.Errorf("%s to OUTP OFF took up to %v, want at most %v", d.name, worst, d.limit)
		}
	}
}
