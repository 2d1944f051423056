package routes

import (
	"context"
	"encoding/json"
	"errors"
	"nightcell/alerts"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// library is a source that newcomers join at its end.
type library struct{ journal }

func (l *library) Start(context.Context) (string, error) { return "2", nil }

func TestANewcomerIsNotToldOldNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &library{}, &inbox{name: "phone"}
		source.add(alarm("old", "contact", alerts.High), alarm("older", "whisker", alerts.High), alarm("new", "hard-short", alerts.High))
		box := open(t, Options{Source: source}, Way{Route: phone})
		flush(t, box)
		equal(t, phone.ids(), "new")
	})
}

func TestDirectoryKeepsTheStateOfEachRoute(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "made when needed")
	d := Directory{Path: dir, Write: func(path string, data []byte) error { return os.WriteFile(path, data, 0o600) }}
	names := []string{"phone", "Phone", "../phone", "a/b", "a%2fb", "", ".", "mail ö", strings.Repeat("n", 50)}
	for _, name := range names {
		if data, err := d.Load(name); data != nil || err != nil {
			t.Errorf("%q before it was saved: %q, %v", name, data, err)
		}
		if err := d.Save(name, []byte(name)); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range names {
		if data, err := d.Load(name); string(data) != name || err != nil {
			t.Errorf("%q became %q, %v", name, data, err)
		}
	}
	inside, err := os.ReadDir(dir)
	if err != nil || len(inside) != len(names) {
		t.Errorf("%d files for %d routes, %v", len(inside), len(names), err)
	}
	full := errors.New("no space left on device")
	d.Write = func(string, []byte) error { return full }
	if err := d.Save("phone", nil); !errors.Is(err, full) {
		t.Errorf("error: %v", err)
	}
}

func TestARouteRemembersABoundedNumberOfAlarms(t *testing.T) {
	var s state
	for i := range mostOpen + 10 {
		n := alarm("a", strings.Repeat("c", i), alerts.High)
		if o := s.put(n); (o == nil) != (i >= mostOpen) {
			t.Fatalf("alarm %d: %v", i, o)
		}
	}
	if len(s.Open) != mostOpen {
		t.Errorf("%d are open", len(s.Open))
	}
	if s.put(alarm("b", "", alerts.High)) == nil { // one that is known is replaced
		t.Error("no room for a known alarm")
	}
}

// vault is a Store that can be closed: nothing can be read from it then.
type vault struct {
	shelf
	closed atomic.Bool
}

func (v *vault) Load(route string) ([]byte, error) {
	if v.closed.Load() {
		return nil, errors.New("input/output error")
	}
	return v.shelf.Load(route)
}

// TestTheProofOfADrillSurvives even where the route's state was not yet read when it was
// written, and although nothing else is delivered before the process is killed.
func TestTheProofOfADrillSurvives(t *testing.T) {
	for name, closed := range map[string]bool{"before the state is read": true, "after": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store, phone := &vault{}, &inbox{name: "phone"}
				store.closed.Store(closed)
				box := open(t, Options{Source: &journal{}, Store: store}, Way{Route: phone})
				synctest.Wait()
				if r := box.Drill(t.Context(), Notice{ID: "d", Cell: "zinc-1"}); r[0].Err != nil {
					t.Fatal(r[0].Err)
				}
				if store.closed.Swap(false) {
					flush(t, box)
				}
				if box.Health()[0].Proved.IsZero() {
					t.Error("the proof is forgotten")
				}
				var saved state
				if err := json.Unmarshal(store.of("phone"), &saved); err != nil || saved.Proved.IsZero() { // as a kill would leave it
					t.Errorf("saved: %s, %v", store.of("phone"), err)
				}
			})
		})
	}
}

// shut is a source that cannot be read while it is closed.
type shut struct {
	journal
	closed atomic.Bool
}

func (s *shut) Next(ctx context.Context, cursor string) (Notice, string, error) {
	if s.closed.Load() {
		return Notice{}, "", errors.New("input/output error")
	}
	return s.journal.Next(ctx, cursor)
}

// TestARouteThatCanReadNothingIsBehind, so that somebody hears of it, and still carries what goes past the log, once.
func TestARouteThatCanReadNothingIsBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, source, phone := &vault{}, &shut{}, &inbox{name: "phone"}
		store.closed.Store(true)
		source.closed.Store(true)
		box := open(t, Options{Source: source, Store: store}, Way{Route: phone, Repeat: time.Hour})
		<-time.After(10 * time.Minute)
		if h := box.Health()[0]; h.Lag < 9*time.Minute {
			t.Errorf("after ten minutes: %+v", h)
		}
		n := alarm("past", "hard-short", alerts.Highest)
		box.Tell(n)
		<-time.After(6 * time.Minute) // the longest wait between two tries
		equal(t, phone.ids(), "past")
		store.closed.Store(false)
		source.closed.Store(false)
		source.add(n)
		<-time.After(6 * time.Minute)
		flush(t, box)
		if h := box.Health()[0]; h.Lag != 0 {
			t.Errorf("mended: %+v", h)
		}
		equal(t, phone.ids(), "past")
		<-time.After(time.Hour)
		equal(t, phone.ids(), "past", "past-repeat-1")
	})
}

// TestALostStateKeepsNobodyFromBeingFetched: what stands unanswered is told, after a few tries, by the rules of the route.
func TestALostStateKeepsNobodyFromBeingFetched(t *testing.T) {
	for name, damaged := range map[string]bool{"cannot be read": false, "is damaged": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store, source := &vault{}, &journal{}
				phone, second := &inbox{name: "phone"}, &inbox{name: "second"}
				store.closed.Store(!damaged)
				if damaged {
					store.states = map[string][]byte{"phone": []byte(`{"cursor":`), "second": []byte("\x00\x00")}
				}
				source.add(alarm("a", "contact", alerts.High), alarm("b", "hard-short", alerts.High), alarm("c", "over-current", alerts.High), alarm("l", "charge-behind", alerts.Low),
					closing("d", "contact", Cleared, alerts.High), closing("e", "over-current", Acknowledged, alerts.High), closing("m", "", Milestone, alerts.High))
				box := open(t, Options{Source: source, Store: store}, Way{Route: phone, Least: alerts.High, Repeat: time.Hour},
					Way{Route: second, Least: alerts.High, After: 30 * time.Minute})
				<-time.After(2 * time.Minute)
				flush(t, box)
				equal(t, phone.ids(), "m", "b")
				equal(t, second.ids())
				<-time.After(30 * time.Minute)
				equal(t, second.ids(), "b")
				<-time.After(30 * time.Minute)
				equal(t, phone.ids(), "m", "b", "b-repeat-1")
			})
		})
	}
}

// TestADamagedStateIsKept under another name, for whoever looks into it.
func TestADamagedStateIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := Directory{Path: t.TempDir(), Write: func(path string, data []byte) error { return os.WriteFile(path, data, 0o600) }}
		const damage = `{"cursor":`
		if err := d.Save("phone", []byte(damage)); err != nil {
			t.Fatal(err)
		}
		source, phone := &journal{}, &inbox{name: "phone"}
		source.add(alarm("a", "contact", alerts.High))
		box := open(t, Options{Source: source, Store: d}, Way{Route: phone})
		flush(t, box)
		equal(t, phone.ids(), "a")
		kept, err := filepath.Glob(filepath.Join(d.Path, "phone.json.damaged-*"))
		if err != nil || len(kept) != 1 {
			t.Fatalf("kept: %q, %v", kept, err)
		}
		if data, err := os.ReadFile(kept[0]); string(data) != damage || err != nil {
			t.Errorf("kept: %q, %v", data, err)
		}
		if data, err := d.Load("phone"); err != nil || !json.Valid(data) {
			t.Errorf("the new state: %q, %v", data, err)
		}
	})
}

// TestWhatIsSetAsideCountsAsWaiting until the far side takes another: a route that
// refuses everything reaches nobody.
func TestWhatIsSetAsideCountsAsWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &journal{}, &inbox{name: "phone"}
		var refuses atomic.Bool
		refuses.Store(true)
		phone.answer = func(context.Context, Notice) error {
			if refuses.Load() {
				return &Refused{errors.New("no such person")}
			}
			return nil
		}
		box := open(t, Options{Source: source}, Way{Route: phone})
		source.add(alarm("a", "whisker", alerts.High))
		flush(t, box)
		<-time.After(10 * time.Minute)
		if h := box.Health()[0]; h.SetAside != 1 || h.Lag < 9*time.Minute {
			t.Errorf("after ten minutes: %+v", h)
		}
		refuses.Store(false)
		source.add(alarm("b", "contact", alerts.High))
		flush(t, box)
		if h := box.Health()[0]; h.Lag != 0 {
			t.Errorf("it delivers again: %+v", h)
		}
	})
}
