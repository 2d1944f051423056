package routes

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"nightcell/alerts"
	"nightcell/daemon/housetest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// keeper is an inbox whose far side keeps alarms in memory alone.
type keeper struct {
	inbox
	mu       sync.Mutex
	renewals []string // the IDs of each renewal
	err      error
	seen     func([]Notice) // nil: nobody looks
}

func (k *keeper) RenewEvery() time.Duration { return time.Minute }

func (k *keeper) Renew(_ context.Context, standing []Notice) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.seen != nil {
		k.seen(standing)
	}
	ids := []string{}
	for _, n := range standing {
		ids = append(ids, n.ID+" "+n.State)
	}
	k.renewals = append(k.renewals, strings.Join(ids, ","))
	return k.err
}

// take returns the renewals since the last call, and sets the answer to the next.
func (k *keeper) take(err error) []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	got := k.renewals
	k.renewals, k.err = nil, err
	return got
}

// Everything that stands is told again each minute, acknowledged or not, whatever repeat is; what
// is set aside or over is not.
func TestWhatStandsIsRenewed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store := &journal{}, &shelf{}
		k := &keeper{inbox: inbox{name: "k"}}
		box := open(t, Options{Source: source, Store: store}, Way{Route: k})
		pass(2 * time.Minute)
		equal(t, k.take(nil))
		source.add(alarm("a", "hard-short", alerts.Highest), alarm("b", "contact", alerts.High))
		flush(t, box)
		pass(time.Minute)
		equal(t, k.take(nil), "a ,b ")
		acknowledged := closing("c", "hard-short", Acknowledged, alerts.Highest)
		acknowledged.State = "ACKED"
		source.add(acknowledged, closing("d", "contact", Quieted, alerts.High))
		flush(t, box)
		pass(2 * time.Minute)
		equal(t, k.take(nil), "a ACKED", "a ACKED")
		equal(t, k.ids(), "a", "b", "d") // no repeat was asked for; the end of b is told though it is only set aside
		stop(t, box)
		box = open(t, Options{Source: source, Store: store}, Way{Route: k})
		pass(time.Second)
		equal(t, k.take(nil), "a ACKED") // at once after a restart
		source.add(closing("e", "hard-short", Cleared, alerts.Highest))
		flush(t, box)
		pass(3 * time.Minute)
		equal(t, k.take(nil))
	})
}

// A far side that does not take what stands is asked again each minute, however long the wait for
// the next notice has grown, and health says since when; when it takes it, what waits goes out at once.
func TestAFailedRenewalShowsAndEndsTheWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		var down atomic.Bool
		k := &keeper{inbox: inbox{name: "k", answer: func(context.Context, Notice) error {
			if down.Load() {
				return errors.New("connection refused")
			}
			return nil
		}}}
		box := open(t, Options{Source: source}, Way{Route: k})
		source.add(alarm("a", "hard-short", alerts.Highest))
		flush(t, box)
		k.take(errors.New("connection refused"))
		pass(10 * time.Minute)
		if h := box.Health()[0]; h.Lag < 9*time.Minute || h.Problem == "" {
			t.Errorf("health while nothing is renewed: %+v", h)
		}
		down.Store(true)
		source.add(alarm("b", "contact", alerts.High))
		pass(time.Hour)
		if n := len(k.take(errors.New("connection refused"))); n < 65 || n > 71 {
			t.Errorf("%d renewals tried in 70 minutes", n)
		}
		down.Store(false)
		k.take(nil)
		pass(time.Minute + time.Second)
		equal(t, k.ids(), "a", "b")
		if h := box.Health()[0]; h.Lag != 0 || h.Problem != "" {
			t.Errorf("health after it: %+v", h)
		}
	})
}

// Who asks to be left alone is.
func TestARenewalWaitsAsLongAsItIsAskedTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		k := &keeper{inbox: inbox{name: "k"}, err: &Busy{errors.New("HTTP 429"), 20 * time.Minute}}
		box := open(t, Options{Source: source}, Way{Route: k})
		source.add(alarm("a", "hard-short", alerts.Highest))
		flush(t, box)
		pass(19 * time.Minute)
		if n := len(k.take(nil)); n != 1 {
			t.Errorf("%d renewals within the 20 minutes asked for", n)
		}
		pass(3 * time.Minute)
		if n := len(k.take(nil)); n == 0 {
			t.Error("no renewal after the wait")
		}
	})
}

// A route that is new, and one whose state is lost, knows of everything that stands, acknowledged or not.
func TestARenewalKnowsWhatStoodBefore(t *testing.T) {
	for name, saved := range map[string][]byte{"new": nil, "lost": []byte("{")} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				source := &ended{}
				acknowledged := closing("c", "hard-short", Acknowledged, alerts.Highest)
				acknowledged.State = "ACKED"
				source.add(alarm("a", "hard-short", alerts.Highest), alarm("b", "contact", alerts.High), acknowledged, alarm("o", "whisker", alerts.Low), closing("p", "whisker", Cleared, alerts.Low))
				k := &keeper{inbox: inbox{name: "k"}}
				box := open(t, Options{Source: source, Store: &shelf{states: map[string][]byte{"k": saved}}}, Way{Route: k})
				flush(t, box)
				pass(time.Minute)
				got := k.take(nil)
				if len(got) == 0 || got[len(got)-1] != "a ACKED,b " {
					t.Errorf("renewed %q", got)
				}
				if !slices.Contains(k.ids(), "b") || slices.Contains(k.ids(), "a") || slices.Contains(k.ids(), "o") {
					t.Errorf("told %q", k.ids())
				}
			})
		})
	}
}

// ended is a journal at whose end a newcomer begins.
type ended struct{ journal }

func (l *ended) Start(context.Context) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return fmt.Sprint(len(l.notices)), nil
}

// A real Alertmanager that is killed and started again has an acknowledged alarm back by itself,
// with an end that comes on its own should nobody renew it, and none any more once the alarm is over.
func TestAnAcknowledgedAlarmOutlivesARestartOfAlertmanager(t *testing.T) {
	path := program(t, "prometheus-alertmanager")
	receiver, told := listenFor(t, httptest.NewServer, status(200))
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yml")
	config := fmt.Sprintf(`route: {receiver: bench, group_by: ["..."], group_wait: 10ms, group_interval: 100ms}
receivers: [{name: bench, webhook_configs: [{url: %q, send_resolved: true}]}]
`, receiver.URL)
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	port := housetest.FreePort()
	server := runReal(t, port, path, "--config.file="+file, "--storage.path="+dir, "--cluster.listen-address=", fmt.Sprintf("--web.listen-address=127.0.0.1:%d", port))
	address := fmt.Sprintf("http://127.0.0.1:%d", port)
	a, err := NewAlertmanager(Settings{Name: "am", URL: NewSecret(address)})
	if err != nil {
		t.Fatal(err)
	}
	if a.RenewEvery() > 2*time.Minute {
		t.Errorf("what stands is told every %v", a.RenewEvery())
	}
	a.every = time.Second
	source := &journal{}
	box := open(t, Options{Source: source, Poll: 50 * time.Millisecond}, Way{Route: a}) // no repeat
	short := alarm("a", "hard-short", alerts.Highest)
	acknowledged := closing("b", "hard-short", Acknowledged, alerts.Highest)
	acknowledged.State = "ACKED"
	source.add(short, acknowledged)
	flush(t, box)
	server.stop()
	server.start()
	var list []standing
	waitFor(t, "the acknowledged short stands again", func() bool { list = listAlerts(t, address); return len(list) == 1 })
	got := list[0]
	if got.Labels["alertname"] != "hard-short" || got.Annotations["state"] != "ACKED" || got.StartsAt.Sub(short.At).Abs() > time.Second || time.Until(got.EndsAt) > 4*time.Second {
		t.Errorf("after the restart: %+v", got)
	}
	first := got.EndsAt
	waitFor(t, "its end moves on", func() bool { list = listAlerts(t, address); return len(list) == 1 && list[0].EndsAt.After(first) })
	source.add(closing("c", "hard-short", Cleared, alerts.Highest))
	flush(t, box)
	waitFor(t, "it is over", func() bool { return len(listAlerts(t, address)) == 0 })
	waitFor(t, "the receiver is told so", func() bool {
		select {
		case r := <-told:
			return strings.Contains(string(r.body), `"status":"resolved"`)
		default:
			return false
		}
	})
}
