package page_test

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"nightcell/daemon/housetest"
	"nightcell/daemon/snapshot"
)

// TestMonth draws thirty days at one reading a second. No spike is lost at any zoom;
// the times taken are shown, not judged, and the race detector gets a tenth of the readings.
func TestMonth(t *testing.T) {
	t.Parallel()
	days := housetest.Thinned(30)
	n := days * 86400
	cell := zinc("zinc-1")
	cell.Began = time.Now().Add(-time.Duration(n) * time.Second)
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{cell}, prepare: func(data string) { writeRun(t, data, "zinc-1", n) }})
	start := time.Now()
	eventually(t, "the whole log to be read", func() bool {
		w, err := b.history.Window(t.Context(), "zinc-1", "", time.Time{}, time.Time{}, 10)
		return err == nil && w.Complete
	})
	rebuilt := time.Since(start)
	v := b.visitor()
	whole, err := b.history.Window(t.Context(), "zinc-1", "", time.Time{}, time.Time{}, 1)
	if err != nil {
		t.Fatal(err)
	}
	spike := whole.First.Add(time.Duration(n/2+n/7) * time.Second) // where writeRun put it
	took := func(path string) time.Duration {
		t.Helper()
		var all []time.Duration
		for range 9 {
			begin := time.Now()
			a := v.get(path)
			all = append(all, time.Since(begin))
			v.want(path, a, http.StatusOK)
			if !strings.Contains(a.body, "9.5") {
				t.Errorf("the spike is missing from %s", path)
			}
		}
		slices.Sort(all)
		return all[4]
	}
	at := func(days float64) string {
		half := math.Min(days, float64(n)/86400) * 43200
		return fmt.Sprintf("/cell/zinc-1/history?points=1000&from=%d&to=%d", spike.Unix()-int64(half), spike.Unix()+int64(half))
	}
	t.Logf("%d readings: read in %v; served: all of it in %v, 2 days in %v, 2 hours in %v, a minute in %v", n, rebuilt.Round(time.Millisecond),
		took("/cell/zinc-1/history?points=1000"), took(at(2)), took(at(1.0/12)), took(at(1.0/1440)))

	browser := newBrowser(t)
	browser.do(chromedp.Navigate(b.url + "/"))
	browser.until("curves", `document.querySelectorAll("#curves canvas").length === 3`)
	drawn := eval[float64](browser, `performance.getEntriesByType("mark").find(m => m.name === "curves").startTime`)
	asked := eval[float64](browser, `performance.getEntriesByType("resource").find(r => r.name.includes("/history")).startTime`)
	if how := eval[string](browser, `performance.getEntriesByType("resource").filter(r => r.name.includes("/history")).map(r => r.initiatorType).join()`); how != "link" {
		t.Errorf("the curves are asked for by %s, not once with the page", how)
	}
	began := eval[float64](browser, `performance.getEntriesByType("navigation")[0].domContentLoadedEventStart`)
	if text := eval[string](browser, `document.getElementById("read").textContent`); !strings.Contains(text, "9.5 V") {
		t.Errorf("the browser does not show the spike: %s", text)
	}
	t.Logf("in the browser: first curves %.0f ms after asking for them, %.0f ms after the scripts began, %.0f ms after the page was opened", drawn-asked, drawn-began, drawn)
	browser.picture("month")
	browser.quiet()
}
