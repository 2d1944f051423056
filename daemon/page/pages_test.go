package page_test

import (
	"context"
	"net/http"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"nightcell/alerts"
	"nightcell/daemon/snapshot"
)

// TestPageOfMany is what happens to a page among others, on a bench of several cells, and on a phone.
func TestPageOfMany(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	leave := func() { b.do(chromedp.Navigate("about:blank")) } // before its server goes
	t.Run("refused", func(t *testing.T) { testStreamRefused(t, b); leave() })
	t.Run("two alarms at once", func(t *testing.T) { testTwoAlarmsAtOnce(t, b); leave() })
	t.Run("finger", func(t *testing.T) { testFinger(t, b); leave() })
}

// testStreamRefused opens one page more than may listen. It says that it is not live, and
// becomes so by itself, without being loaded anew, once another page has gone.
func testStreamRefused(t *testing.T, b *browser) {
	night := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}, connections: 256})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for range 128 {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, night.url+"/events?of=zinc-1", nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
	}
	b.open(t, night.url+"/", `document.getElementById("link").dataset.is === "lost"`)
	b.forgive("503")
	eval[int](b, `window.sameDocument = 1`)
	cancel()
	b.until("events again", isLive)
	if !eval[bool](b, `window.sameDocument === 1`) {
		t.Error("the page was loaded anew, which loses the last figures when that fails")
	}
}

// testTwoAlarmsAtOnce says both aloud.
func testTwoAlarmsAtOnce(t *testing.T, b *browser) {
	night := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1"), zinc("zinc-2"), zinc("zinc-3")}})
	b.open(t, night.url+"/", isLive)
	night.mu.Lock()
	night.cells[0].Alarms, night.cells[2].Alarms = []alerts.Alarm{short()}, []alerts.Alarm{short()}
	night.mu.Unlock()
	b.until("both announcements", `["Zinc 1: Hard short.", "Zinc 3: Hard short."].every((s) => document.getElementById("say").textContent.includes(s))`)
	night.change(2, func(c *snapshot.Cell) { c.Alarms = nil })
	b.until("whose alarm is over", `document.getElementById("say").textContent.startsWith("zinc-3: no alarm")`)
	b.quiet()
}

// testFinger swipes along a curve, which zooms; up and down is left for scrolling the page.
func testFinger(t *testing.T, b *browser) {
	night := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	b.look(390, 844, true, false)
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: true})
	b.open(t, night.url+"/", isLive+` && document.querySelector("#curves canvas")`)
	const told = `document.getElementById("read").textContent.split(" to ")[0]` // where it begins; the end may still be on its way into the curves
	all := eval[string](b, told)
	at := eval[[]float64](b, `(() => { const o = document.querySelectorAll("#plots .u-over")[1]; o.scrollIntoView({block: "center"}); const r = o.getBoundingClientRect(); return [r.left, r.top + r.height / 2, r.width]; })()`)
	touch := func(kind input.DispatchTouchEventType, points ...float64) {
		var at []*input.TouchPoint
		if len(points) > 0 {
			at = append(at, &input.TouchPoint{X: points[0], Y: points[1]})
		}
		call(b, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: at})
	}
	touch("touchStart", at[0]+at[2]*0.3, at[1])
	for x := 0.3; x < 0.6; x += 0.05 {
		touch("touchMove", at[0]+at[2]*x, at[1])
	}
	touch("touchEnd")
	b.until("a shorter stretch", told+" !== `"+all+"`")
	b.click(`[data-span="all"]`)
	b.until("the whole run again", told+" === `"+all+"`")
	b.quiet()
}
