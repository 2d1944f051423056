package page_test

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"nightcell/alerts"
	"nightcell/daemon/snapshot"
)

// TestLooks opens the pages on phone and desktop, light and dark, with and without an
// alarm: nothing is wider than the window, axe-core finds nothing, the console is quiet.
func TestLooks(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	night := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 25200) }})
	night.poll(0, time.Second)
	several := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1"), zinc("zinc-2"), zinc("zinc-3"), zinc("copper-1")}})
	several.change(1, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()}; c.Reading.Volts = 0.28 })
	several.change(2, func(c *snapshot.Cell) { c.Reading.At = time.Now().Add(-time.Minute); c.Link.Up = false })
	for _, look := range []struct {
		name          string
		width, height int64
		phone, dark   bool
	}{{"desktop light", 1280, 900, false, false}, {"desktop dark", 1280, 900, false, true}, {"phone dark", 375, 720, true, true}} {
		b.look(look.width, look.height, look.phone, look.dark)
		for _, p := range []struct{ name, url, ready string }{
			{"cell", night.url + "/", `document.querySelector("#curves canvas") && document.getElementById("link").dataset.is === "live"`},
			{"all", several.url + "/", `document.getElementById("link").dataset.is === "live"`},
			{"alarm", several.url + "/cell/zinc-2", `document.getElementById("link").dataset.is === "live"`},
			{"sign in", night.url + "/login", `true`},
		} {
			b.do(chromedp.Navigate(p.url))
			b.until("page "+p.name, p.ready)
			if over := eval[float64](b, `document.documentElement.scrollWidth - window.innerWidth`); over > 0 {
				t.Errorf("%s, %s: the page is %v px wider than the window", p.name, look.name, over)
			}
			if !look.phone || p.name == "cell" {
				b.axe(p.name + ", " + look.name)
			}
			b.picture(p.name + " " + look.name)
		}
	}
	b.quiet()
}
