package daemon

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/notices"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestNoticesGoOutAcrossRuns delivers what two runs told, in order, once each, over a
// route that began before the first.
func TestNoticesGoOutAcrossRuns(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), eveningScenario)
		d, stop := proven(t, b, `may = ["off"]`+"\n"+`at_target = "off"`, "", true, func(s *watch.Settings, _ *watch.Machine) { s.Plan = nil })
		source := notices.NewSource(d.o.Config.Data, "zinc-1")
		from, err := source.Start(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		o := d.Operator()
		for range 2 {
			b.Instrument.Handle([]byte("OUTP ON\n"))
			<-time.After(5 * time.Minute)
			if _, err := o.Off(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"}); err != nil {
				t.Fatal(err)
			}
			<-time.After(time.Minute)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		var kinds []routes.Kind
		seen := map[string]bool{}
		var last time.Time
		for {
			n, next, err := source.Next(t.Context(), from)
			if err != nil {
				break
			}
			if again, same, err := source.Next(t.Context(), from); err != nil || again.ID != n.ID || same != next {
				t.Errorf("the same cursor gives another notice: %+v, %v", again, err)
			}
			if seen[n.ID] || n.At.Before(last) {
				t.Errorf("%s comes twice or out of order", n.ID)
			}
			seen[n.ID], last, from = true, n.At, next
			kinds = append(kinds, n.Kind)
			// At the beginning of a run there is nothing to be drawn yet.
			if len(pictureOf(t, d, n)) == 0 && !strings.HasSuffix(n.Subject, "on again") {
				t.Errorf("no picture for %s of %v", n.Subject, n.At)
			}
		}
		// Off and ended; on again, off and ended.
		want := []routes.Kind{routes.Ended, routes.Milestone, routes.Ended}
		if !slices.Equal(kinds, want) {
			t.Errorf("notices: %v, want %v", kinds, want)
		}
		place, err := runlog.ParseCursor(from)
		if err != nil {
			t.Fatal(err)
		}
		inLine, beyond, future := place, place, place
		inLine.Offset--
		beyond.Offset += 1 << 20
		future.Run = "20990101T000000Z"
		for _, bad := range []string{"x", place.Run, place.Run + "/-1", inLine.String(), beyond.String(), future.String()} {
			if _, _, err := source.Next(t.Context(), bad); !errors.Is(err, routes.ErrCursor) {
				t.Errorf("the cursor %s is damaged, and %v is said", bad, err)
			}
		}
		at, err := source.Latest(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var latest []routes.Kind
		for {
			n, next, err := source.Next(t.Context(), at)
			if err != nil {
				break
			}
			latest, at = append(latest, n.Kind), next
		}
		if !slices.Equal(latest, want[1:]) {
			t.Errorf("of the latest run: %v, want %v", latest, want[1:])
		}
	})
}

// pictureOf is the picture of a notice.
func pictureOf(t *testing.T, d *Daemon, n routes.Notice) []byte {
	t.Helper()
	png, err := notices.Picture(t.Context(), d.o.Config.Data, n.Cell, n)
	if err != nil {
		t.Fatal(err)
	}
	return png
}
