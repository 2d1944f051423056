package daemon

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/metrics"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

const bench = "https://bench.example"

// TestALinkAnswersForEveryRoute: the link of the message about a short acknowledges it once, by the way that an operator takes; no route
// reminds afterwards, and the summary of the morning says what is left to do.
func TestALinkAnswersForEveryRoute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"hard-short\"\nohms = 0.03\n")
		d, phone, later := daemonOf(t, b, t.TempDir(), "", ""), &watchtest.LetterBox{}, &watchtest.LetterBox{}
		cfg := d.config.Load()
		cfg.Page.PublicURL, cfg.Page.LinkLasts = bench, time.Hour
		cfg.Routes = []configs.Route{{Kind: "command", ByLink: true, Settings: routes.Settings{Name: "phone", Command: []string{"true"}}}}
		d.openLinks(cfg)
		d.join(t, routes.Way{Route: phone, Repeat: 10 * time.Minute, Zone: time.UTC, Summary: routes.Daily{At: 7 * time.Hour, Location: time.UTC}},
			routes.Way{Route: renamed{later}, Repeat: 10 * time.Minute}).Start()
		stop := watchtest.Start(t, d.posts()[0].Cell)
		<-time.After(35 * time.Minute)
		of := func(kind routes.Kind) routes.Notice {
			t.Helper()
			for _, n := range phone.Got() {
				if n.Kind == kind {
					return n
				}
			}
			t.Fatalf("no %s among %v", kind, phone.Got())
			return routes.Notice{}
		}
		alarm := of(routes.Alarm)
		token, signed := strings.CutPrefix(alarm.Link, bench+"/alarm/")
		if !signed || !strings.Contains(alarm.Subject, ", since 00:30: ") {
			t.Fatalf("%q with the link %q", alarm.Subject, alarm.Link)
		}
		d.metrics = metrics.New("test", d.Snapshots)
		site, err := d.handler()
		if err != nil {
			t.Fatal(err)
		}
		tap := func(token string) (int, string) {
			r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/alarm/"+token, nil)
			r.Header.Set("Origin", "http://127.0.0.1")
			w := httptest.NewRecorder()
			site.ServeHTTP(w, r)
			return w.Code, w.Body.String()
		}
		if code, body := tap(strings.TrimPrefix(later.Got()[0].Link, bench+"/alarm/")); code != http.StatusForbidden || !strings.Contains(body, "route later do not acknowledge") {
			t.Errorf("the link of a route that may not: %d %s", code, body)
		}
		if code, body := tap(token); code != http.StatusSeeOther {
			t.Fatalf("the tap: %d %s", code, body)
		}
		a, _ := watchtest.Standing(d.posts()[0].Cell.Latest(), alerts.HardShort)
		if a.State != alerts.ACKED || a.By != "link of route phone" {
			t.Errorf("the alarm is %s by %q", a.State, a.By)
		}
		<-time.After(8 * time.Hour)
		if got := phone.Of(alerts.HardShort) + ", " + later.Of(alerts.HardShort); got != "alarm, alarm" {
			t.Errorf("told of the short: %s", got)
		}
		if n := of(routes.Summary); n.Cell != "zinc-1" || n.Link != bench+"/cell/zinc-1" || !strings.HasPrefix(n.Subject, "zinc-1: summary, ") || !strings.Contains(n.Text, "Hard short") || n.Values["charge_coulombs"] == 0 {
			t.Errorf("the summary: %+v", n)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if err := d.stopBoxes(); err != nil {
			t.Fatal(err)
		}
		if _, ok := d.summary([]string{"copper-1"}, time.Time{}); ok {
			t.Error("a summary of cells that there are not")
		}
	})
}

// renamed is a second letter box.
type renamed struct{ *watchtest.LetterBox }

func (renamed) Name() string { return "later" }

// TestWithoutAKeyLinksLeadToTheCell: a key that others can read signs nothing, and the watch goes on.
func TestWithoutAKeyLinksLeadToTheCell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		d := daemonOf(t, watchtest.New(t, drivers.NewClock(1), watchtest.Live), dir, "", "")
		n := routes.Notice{Cell: "zinc-1", Kind: routes.Alarm, Condition: "hard-short", At: time.Now(), Since: time.Now()}
		if d.linkOf(d.o.Config) != nil {
			t.Error("without public_url there are links")
		}
		d.o.Config.Page.PublicURL = bench
		if err := os.WriteFile(filepath.Join(dir, "links.key"), make([]byte, 32), 0o644); err != nil {
			t.Fatal(err)
		}
		d.openLinks(d.o.Config)
		if got := d.linkOf(d.o.Config)("phone", "", n); got != bench+"/cell/zinc-1" {
			t.Errorf("the link is %q", got)
		}
	})
}

// TestSafe: a cell is known to do no harm by a verified off, or by a reading of this moment.
func TestSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"panel\"\noutput = \"off\"\n")
		d := daemonOf(t, b, t.TempDir(), "may = [\"hold\"]\nhold_current = \"0.2 A\"", "")
		c := d.posts()[0].Cell
		is := func(what string, want bool) {
			t.Helper()
			if got := d.safe(c); got != want {
				t.Errorf("%s: safe %v", what, got)
			}
		}
		is("before anything", false)
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		is("at the working current", false)
		if _, err := c.Hold(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		is("held", true)
		b.Change(func() { b.Gone = true })
		<-time.After(5 * time.Minute)
		is("held, and not read any more", false)
		b.Change(func() { b.Gone = false })
		<-time.After(5 * time.Minute)
		is("read again", true)
		<-time.After(15 * time.Minute)
		is("off by hand, and the bath attacks the deposit", false)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
