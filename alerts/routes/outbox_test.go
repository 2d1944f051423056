package routes

import (
	"context"
	"errors"
	"fmt"
	"nightcell/alerts"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// A route that fails for hours gets everything in order when it comes back, and the other routes notice nothing.
func TestDeadRouteDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		began := time.Now()
		var attempts atomic.Int64
		dead := &inbox{name: "dead", answer: func(context.Context, Notice) error {
			attempts.Add(1)
			if time.Since(began) < 6*time.Hour {
				return errors.New("HTTP 500")
			}
			return nil
		}}
		hung := &inbox{name: "hung", answer: func(ctx context.Context, _ Notice) error {
			<-ctx.Done()
			return ctx.Err()
		}}
		well := &inbox{name: "well"}
		box := open(t, Options{Source: source}, Way{Route: dead}, Way{Route: hung}, Way{Route: well})
		for i := range 3 {
			source.add(alarm(fmt.Sprint(i), fmt.Sprint("condition-", i), alerts.High))
			box.Wake()
			synctest.Wait()
			if n := len(well.ids()); n != i+1 {
				t.Fatalf("the good route had %d notices at once, want %d", n, i+1)
			}
		}
		pass(5 * time.Hour)
		h := box.Health()
		if h[0].Lag < 4*time.Hour || h[0].Problem != "HTTP 500" || h[1].Lag < 4*time.Hour || h[2].Lag != 0 {
			t.Fatalf("health does not show the dead routes: %+v", h)
		}
		if n := attempts.Load(); n < 60 || n > 200 { // five hours of at most five minutes each, less the jitter
			t.Errorf("%d attempts in five hours", n)
		}
		pass(2 * time.Hour)
		equal(t, dead.ids(), "0", "1", "2")
		equal(t, well.ids(), "0", "1", "2")
		if d := dead.got[0].Delayed; d < 6*time.Hour {
			t.Errorf("late notice says it waited %v", d)
		}
		if h := box.Health()[0]; h.Lag != 0 || h.Failed != 0 || h.Delivered != 3 {
			t.Errorf("health after recovery: %+v", h)
		}
	})
}

// pass lets virtual time go by, and everybody come to rest.
func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// After a kill, at most the notice that was under way goes out twice.
func TestAKillCostsOneDuplicateAtMost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store, killed := &journal{}, &shelf{}, &shelf{states: map[string][]byte{}}
		phone := &inbox{name: "phone"}
		phone.answer = func(_ context.Context, n Notice) error {
			if n.ID == "3" {
				killed.states["phone"] = store.of("phone") // all that a kill at this moment would leave
			}
			return nil
		}
		box := open(t, Options{Source: source, Store: store}, Way{Route: phone})
		for i := range 6 {
			source.add(alarm(fmt.Sprint(i), fmt.Sprint("condition-", i), alerts.High))
		}
		flush(t, box)
		stop(t, box)
		again := &inbox{name: "phone"}
		box = open(t, Options{Source: source, Store: killed}, Way{Route: again})
		flush(t, box)
		equal(t, again.ids(), "3", "4", "5")
	})
}

func TestRefusedNoticeIsSetAsideAndBlocksNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store := &journal{}, &shelf{}
		attempts := 0
		picky := &inbox{name: "picky", answer: func(_ context.Context, n Notice) error {
			if n.ID == "bad" {
				attempts++
				return &Refused{errors.New("HTTP 413")}
			}
			return nil
		}}
		box := open(t, Options{Source: source, Store: store}, Way{Route: picky})
		source.add(alarm("bad", "contact", alerts.High), alarm("good", "hard-short", alerts.High))
		box.Wake()
		pass(5 * time.Minute)
		equal(t, picky.ids(), "good")
		if attempts != patience {
			t.Errorf("offered %d times", attempts)
		}
		if h := box.Health()[0]; h.SetAside != 1 {
			t.Errorf("health: %+v", h)
		}
		stop(t, box)
		box = open(t, Options{Source: source, Store: store}, Way{Route: picky})
		flush(t, box)
		if h := box.Health()[0]; h.SetAside != 1 || len(picky.ids()) != 1 {
			t.Errorf("after a restart: %+v, %v", h, picky.ids())
		}
	})
}

func TestAServerThatAsksForTimeGetsIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		var tries []time.Time
		busy := &inbox{name: "busy", answer: func(context.Context, Notice) error {
			if tries = append(tries, time.Now()); len(tries) == 1 {
				return &Busy{errors.New("HTTP 429"), 20 * time.Minute}
			}
			return nil
		}}
		box := open(t, Options{Source: source}, Way{Route: busy})
		source.add(alarm("a", "contact", alerts.High))
		box.Wake()
		pass(time.Hour)
		if len(tries) != 2 || tries[1].Sub(tries[0]) < 20*time.Minute {
			t.Errorf("tried at %v", tries)
		}
	})
}

// A full disk under the cursors costs duplicates after a restart, never a notice.
func TestStateThatCannotBeSaved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &journal{}, &inbox{name: "phone"}
		store := &shelf{err: errors.New("no space left on device")}
		box := open(t, Options{Source: source, Store: store}, Way{Route: phone})
		source.add(alarm("a", "contact", alerts.High), alarm("b", "hard-short", alerts.High))
		flush(t, box)
		if h := box.Health()[0]; h.Problem != "no space left on device" || h.Delivered != 2 {
			t.Errorf("health: %+v", h)
		}
		stop(t, box)
		store.fill(nil)
		box = open(t, Options{Source: source, Store: store}, Way{Route: phone})
		flush(t, box)
		equal(t, phone.ids(), "a", "b", "a", "b")
		if h := box.Health()[0]; h.Problem != "" {
			t.Errorf("health: %+v", h)
		}
	})
}

func TestDamagedStateBeginsAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &journal{}, &inbox{name: "phone"}
		box := open(t, Options{Source: source, Store: &shelf{states: map[string][]byte{"phone": []byte(`{"cursor":`)}}}, Way{Route: phone})
		source.add(alarm("a", "contact", alerts.High))
		flush(t, box)
		equal(t, phone.ids(), "a")
	})
}

// TestADamagedPlaceBeginsAnew: the state can be read and the cursor in it cannot, or names a place that never was; the
// alarm that stands is told all the same.
func TestADamagedPlaceBeginsAnew(t *testing.T) {
	for name, saved := range map[string]string{
		"no cursor":      `{"cursor":"x"}`,
		"beyond the end": `{"cursor":"9000","proved":"2026-01-02T03:04:05Z","set_aside":3}`,
		"held back":      `{"cursor":"1","held":{"from":"x","below":"low"}}`,
	} {
		synctest.Test(t, func(t *testing.T) {
			source, phone := &journal{strict: true}, &inbox{name: "phone"}
			shelf := &shelf{states: map[string][]byte{"phone": []byte(saved)}}
			source.add(alarm("a", "contact", alerts.High))
			box := open(t, Options{Source: source, Store: shelf}, Way{Route: phone})
			flush(t, box)
			equal(t, phone.ids(), "a")
			source.add(alarm("b", "hard-short", alerts.High))
			flush(t, box)
			equal(t, phone.ids(), "a", "b")
			if h := box.Health()[0]; h.Problem != "" || name == "beyond the end" && h.SetAside != 3 {
				t.Errorf("%s: %+v", name, h)
			}
		})
	}
}

// jumpy is a calendar that can be set.
type jumpy struct{ shift atomic.Int64 }

func (j *jumpy) UTC() time.Time                     { return time.Now().UTC().Add(time.Duration(j.shift.Load())) }
func (j *jumpy) Real(d time.Duration) time.Duration { return d }

func TestACalendarSetBackDelaysNoReminderForLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := &jumpy{}
		source, phone := &journal{}, &inbox{name: "phone"}
		box := open(t, Options{Source: source, Clock: clock}, Way{Route: phone, Repeat: 10 * time.Minute})
		source.add(alarm("a", "contact", alerts.High))
		flush(t, box)
		synctest.Wait()
		clock.shift.Store(int64(-5 * 365 * 24 * time.Hour)) // a board without a battery
		pass(11 * time.Minute)
		equal(t, phone.ids(), "a", "a-repeat-1")
	})
}

func TestDrillProvesEveryRoute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		well, late := &inbox{name: "well"}, &inbox{name: "late"}
		refused := &inbox{name: "refused", answer: func(context.Context, Notice) error { return errors.New("connection refused") }}
		hung := &inbox{name: "hung", answer: func(ctx context.Context, _ Notice) error { <-ctx.Done(); return ctx.Err() }}
		quiet := Quiet{From: time.Minute, To: 24*time.Hour - time.Minute}
		box := open(t, Options{Source: source}, Way{Route: well, Quiet: quiet, Least: alerts.Highest}, Way{Route: late, After: time.Hour},
			Way{Route: refused}, Way{Route: hung, Timeout: 20 * time.Second})
		pass(time.Hour)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		receipts := box.Drill(ctx, Notice{ID: "d", Cell: "zinc-1", Subject: "drill"})
		if len(receipts) != 4 || receipts[0].Proof != "taken" || receipts[1].Proof != "taken" || !receipts[0].Delivered || receipts[0].Problem != "" {
			t.Fatalf("receipts: %+v", receipts)
		}
		for i, want := range []string{"connection refused", "deadline exceeded"} {
			if r := receipts[2+i]; r.Delivered || r.Err == nil || r.Problem != r.Err.Error() || !strings.Contains(r.Problem, want) {
				t.Errorf("%+v", r)
			}
		}
		if n := well.got[0]; n.Kind != Drill || !n.Drill {
			t.Errorf("the drill is not marked: %+v", n)
		}
		if h := box.Health(); h[0].Proved.IsZero() || !h[2].Proved.IsZero() {
			t.Errorf("proved: %v, %v", h[0].Proved, h[2].Proved)
		}
		ctx, cancel = context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if r := box.Drill(ctx, Notice{ID: "e"}); r[3].Err == nil {
			t.Error("a route that hangs proved delivery")
		}
	})
}

func TestPictureGoesOnlyWhereItIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, mail, phone := &journal{}, &inbox{name: "mail"}, &inbox{name: "phone"}
		fails := false
		box := open(t, Options{Source: source, Picture: func(context.Context, Notice) ([]byte, error) {
			if fails {
				return nil, errors.New("no reading")
			}
			return []byte("png"), nil
		}}, Way{Route: mail, Pictures: true}, Way{Route: phone})
		source.add(alarm("a", "contact", alerts.High))
		flush(t, box)
		fails = true
		source.add(alarm("b", "hard-short", alerts.High))
		flush(t, box)
		equal(t, mail.ids(), "a", "b")
		if string(mail.got[0].Picture) != "png" || mail.got[1].Picture != nil || phone.got[0].Picture != nil {
			t.Error("the picture went astray")
		}
	})
}

func TestStartAndStopAreIdempotentAndBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		begun := make(chan struct{})
		stubborn := &inbox{name: "stubborn", answer: func(ctx context.Context, _ Notice) error {
			close(begun)
			<-ctx.Done()
			return ctx.Err()
		}}
		box, err := NewOutbox(Options{Source: source, Store: &shelf{}, Clock: wall{}}, Way{Route: stubborn, Timeout: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		source.add(alarm("a", "contact", alerts.High))
		box.Start()
		box.Start()
		<-begun
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		if err := box.Stop(ctx); err != nil || time.Since(began) > 4*time.Second {
			t.Errorf("stopping took %v: %v", time.Since(began), err)
		}
		if err := box.Stop(ctx); err != nil {
			t.Error(err)
		}
		box.Start()
		if r := box.Drill(t.Context(), Notice{}); r[0].Err == nil {
			t.Error("a stopped outbox delivers")
		}
		if err := box.Flush(t.Context()); err == nil {
			t.Error("a stopped outbox is up to date")
		}
		unstarted, err := NewOutbox(Options{Source: source, Store: &shelf{}, Clock: wall{}}, Way{Route: stubborn})
		if err != nil {
			t.Fatal(err)
		}
		if err := unstarted.Stop(ctx); err != nil {
			t.Error(err)
		}
		unstarted.Start()
	})
}

// A delivery in progress may end well after Stop was called, and is then not repeated.
func TestStopLetsADeliveryFinish(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store := &journal{}, &shelf{}
		begun := make(chan struct{}, 1)
		slow := &inbox{name: "slow", answer: func(ctx context.Context, _ Notice) error {
			begun <- struct{}{}
			select {
			case <-time.After(2 * time.Second):
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}}
		box := open(t, Options{Source: source, Store: store}, Way{Route: slow})
		source.add(alarm("a", "contact", alerts.High))
		box.Wake()
		<-begun
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		if err := box.Stop(ctx); err != nil {
			t.Error(err)
		}
		box = open(t, Options{Source: source, Store: store}, Way{Route: slow})
		flush(t, box)
		equal(t, slow.ids(), "a")
	})
}

func TestRoutesMustBeToldApart(t *testing.T) {
	o := Options{Source: &journal{}, Store: &shelf{}, Clock: wall{}}
	if _, err := NewOutbox(o, Way{Route: &inbox{name: "a"}}, Way{Route: &inbox{name: "a"}}); err == nil {
		t.Error("two routes of one name")
	}
	if _, err := NewOutbox(o, Way{Route: &inbox{}}); err == nil {
		t.Error("a route without a name")
	}
}
