package routes

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"nightcell/alerts"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// scriptStep is one thing that happens while the outbox works.
type scriptStep struct {
	notices []Notice      // written to the log
	wait    time.Duration // then time goes by
	restart bool          // then the outbox is stopped and another one started
	noDisk  bool          // and until the next step its state cannot be saved
	crash   bool          // the restart finds the state of the step before
}

func drawScript(rt *rapid.T) []scriptStep {
	kinds := []Kind{Alarm, Alarm, Cleared, Acknowledged, Milestone, Ended}
	conditions := []string{"contact", "whisker", "hard-short"}
	count := 0
	var script []scriptStep
	for range rapid.IntRange(1, 12).Draw(rt, "steps") {
		var s scriptStep
		for range rapid.IntRange(0, 6).Draw(rt, "notices") {
			s.notices = append(s.notices, Notice{
				ID: fmt.Sprintf("%04d", count), Cell: "zinc-1", Subject: "s",
				Kind:      rapid.SampledFrom(kinds).Draw(rt, "kind"),
				Condition: rapid.SampledFrom(conditions).Draw(rt, "condition"),
				Priority:  alerts.Priority(rapid.IntRange(0, 3).Draw(rt, "priority")),
			})
			count++
		}
		s.wait = time.Duration(rapid.IntRange(0, 4*3600).Draw(rt, "wait")) * time.Second
		s.restart = rapid.Bool().Draw(rt, "restart")
		s.crash = s.restart && rapid.Bool().Draw(rt, "crash")
		s.noDisk = rapid.IntRange(0, 4).Draw(rt, "noDisk") == 0
		script = append(script, s)
	}
	return script
}

// perform runs a script against a route that fails at random, sometimes after it
// took the notice, and returns what the route took and all that was written.
func perform(t *testing.T, script []scriptStep, way Way, seed uint64) (taken []string, written []Notice) {
	source, store := &journal{}, &shelf{states: map[string][]byte{}}
	chance := rand.New(rand.NewPCG(seed, 1))
	var healthy atomic.Bool
	route := &inbox{name: "route"}
	route.answer = func(ctx context.Context, n Notice) error {
		switch r := chance.Float64(); {
		case healthy.Load():
			return nil
		case r < 0.2:
			return errors.New("refused connection")
		case r < 0.3:
			<-ctx.Done() // hangs
			return ctx.Err()
		case r < 0.4: // taken, and the answer lost
			route.mu.Lock()
			route.got = append(route.got, n)
			route.mu.Unlock()
			return errors.New("connection reset")
		}
		return nil
	}
	way.Route = route
	options := Options{Source: source, Store: store, Clock: wall{}, Poll: 10 * time.Minute}
	begin := func() *Outbox {
		box, err := NewOutbox(options, way)
		if err != nil {
			t.Fatal(err)
		}
		box.Start()
		return box
	}
	box := begin()
	var before []byte
	for _, s := range script {
		for _, n := range s.notices {
			n.At = time.Now().UTC()
			source.add(n)
			written = append(written, n)
		}
		box.Wake()
		if store.fill(nil); s.noDisk {
			store.fill(errors.New("no space left on device"))
		}
		pass(s.wait)
		if s.restart {
			stop(t, box)
			if s.crash {
				store.states["route"] = before
			}
			box = begin()
			synctest.Wait()
		}
		before = slices.Clone(store.of("route"))
	}
	healthy.Store(true)
	store.fill(nil)
	pass(36 * time.Hour) // past any quiet hours and back-off
	flush(t, box)
	stop(t, box)
	return route.ids(), written
}

// judge says what is wrong with the order of delivery: every notice must come, and
// after any repetition the sequence must go on without a hole.
func judge(taken, want []string) error {
	furthest := -1
	for _, id := range taken {
		i := slices.Index(want, id)
		switch {
		case i < 0:
			return fmt.Errorf("%s was delivered, which this route does not carry", id)
		case i > furthest+1:
			return fmt.Errorf("%s came before %s", id, want[furthest+1])
		}
		furthest = max(furthest, i)
	}
	if furthest != len(want)-1 {
		return fmt.Errorf("%s never came", want[furthest+1])
	}
	return nil
}

func wanted(written []Notice, keep func(Notice) bool) []string {
	var ids []string
	for _, n := range written {
		if keep(n) {
			ids = append(ids, n.ID)
		}
	}
	return ids
}

// Whatever fails: duplicates are allowed, loss and another order are not.
func TestNothingIsLostAndNothingReordered(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		script, seed := drawScript(rt), rapid.Uint64().Draw(rt, "seed")
		var fault error
		synctest.Test(t, func(t *testing.T) {
			taken, written := perform(t, script, Way{ReportAcknowledged: true}, seed)
			fault = judge(taken, wanted(written, func(Notice) bool { return true }))
		})
		if fault != nil {
			rt.Fatal(fault)
		}
	})
}

// In quiet hours the urgent ones overtake the others, and each of the two keeps its order.
func TestQuietHoursLoseNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		script, seed := drawScript(rt), rapid.Uint64().Draw(rt, "seed")
		quiet := Quiet{
			From: time.Duration(rapid.IntRange(0, 23).Draw(rt, "from")) * time.Hour,
			To:   time.Duration(rapid.IntRange(0, 23).Draw(rt, "to")) * time.Hour,
		}
		var fault error
		synctest.Test(t, func(t *testing.T) {
			taken, written := perform(t, script, Way{ReportAcknowledged: true, Quiet: quiet}, seed)
			for _, urgent := range []bool{true, false} {
				isUrgent := func(n Notice) bool { return n.Priority >= alerts.High && n.Kind != Ended }
				class := wanted(written, func(n Notice) bool { return isUrgent(n) == urgent })
				mine := slices.DeleteFunc(slices.Clone(taken), func(id string) bool {
					i := slices.IndexFunc(written, func(n Notice) bool { return n.ID == id })
					return i >= 0 && isUrgent(written[i]) != urgent
				})
				fault = errors.Join(fault, judge(mine, class))
			}
		})
		if fault != nil {
			rt.Fatal(fault)
		}
	})
}

// An escalation must come if, and only if, nobody answers in time.
func TestEscalationComesIfNobodyAnswers(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		script, seed := drawScript(rt), rapid.Uint64().Draw(rt, "seed")
		var fault error
		synctest.Test(t, func(t *testing.T) {
			taken, written := perform(t, script, Way{After: time.Hour}, seed)
			fault = judgeEscalation(taken, written, time.Hour)
		})
		if fault != nil {
			rt.Fatal(fault)
		}
	})
}

// judgeEscalation follows each condition through what was written: an alarm stands
// from its first notice until it is closed, and has to be told if that took too long.
func judgeEscalation(taken []string, written []Notice, after time.Duration) error {
	told := func(n Notice) bool { return slices.Contains(taken, n.ID) }
	standing := map[string]Notice{}
	judgeOne := func(n Notice, closed time.Time) error {
		late := closed.IsZero() || closed.Sub(n.At) >= after
		if late != told(n) {
			return fmt.Errorf("alarm %s of %v, closed %v: told %v", n.ID, n.At, closed, told(n))
		}
		return nil
	}
	for _, n := range written {
		first, stands := standing[n.Condition]
		switch {
		case n.Kind == Alarm && !stands:
			standing[n.Condition] = n
		case n.Kind == Ended:
			for _, first := range standing {
				if err := judgeOne(first, n.At); err != nil {
					return err
				}
			}
			clear(standing)
		case n.Kind.closes() && stands:
			if err := judgeOne(first, n.At); err != nil {
				return err
			}
			delete(standing, n.Condition)
		case n.Kind == Milestone && n.Priority == alerts.Highest: // goes over every route
			if !told(n) {
				return fmt.Errorf("news %s of the highest priority was not told", n.ID)
			}
		case n.Kind != Cleared && told(n):
			return fmt.Errorf("%s of kind %s was told", n.ID, n.Kind)
		}
	}
	for _, n := range standing {
		if err := judgeOne(n, time.Time{}); err != nil {
			return err
		}
	}
	return nil
}

// Ten thousand flaps while one route is dead: the other gets them all in order,
// the dead one afterwards, and the memory stays where it was.
func TestFloodOfTenThousand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const flaps = 10_000
		source, store := &journal{}, &shelf{}
		began := time.Now()
		dead := &inbox{name: "dead", answer: func(context.Context, Notice) error {
			if time.Since(began) < time.Hour {
				return errors.New("HTTP 500")
			}
			return nil
		}}
		well := &inbox{name: "well"}
		box := open(t, Options{Source: source, Store: store}, Way{Route: dead}, Way{Route: well})
		var before, after runtime.MemStats
		for i := range flaps {
			n := alarm(fmt.Sprintf("%05d", i), "whisker", alerts.High)
			if i%2 == 1 {
				n.Kind = Cleared
			}
			source.add(n)
			box.Wake()
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		runtime.GC()
		runtime.ReadMemStats(&before)
		_ = box.Flush(ctx) // the dead one stays behind
		if n := len(well.ids()); n != flaps {
			t.Fatalf("the good route got %d of %d", n, flaps)
		}
		if len(store.of("dead")) > 1000 || len(store.of("well")) > 1000 {
			t.Errorf("the states are %d and %d bytes long", len(store.of("dead")), len(store.of("well")))
		}
		well.mu.Lock()
		well.got = nil
		well.mu.Unlock()
		runtime.GC()
		runtime.ReadMemStats(&after)
		if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 4<<20 {
			t.Errorf("%d bytes were kept", grown)
		}
		pass(2 * time.Hour)
		ids := dead.ids()
		if len(ids) != flaps || !slices.IsSorted(ids) {
			t.Errorf("the dead route got %d, normal: %v", len(ids), slices.IsSorted(ids))
		}
	})
}
