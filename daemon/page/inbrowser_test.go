package page_test

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"nightcell/alerts"
	"nightcell/daemon/snapshot"
)

const isLive = `document.getElementById("link").dataset.is === "live"`

// TestInBrowser is what a person does with the page in a real browser.
func TestInBrowser(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	night := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) {
		writeRun(t, data, "zinc-1", 3000)
	}})
	night.poll(0, time.Second)

	t.Run("values move and curves grow", func(t *testing.T) {
		b.open(t, night.url+"/", isLive+` && document.querySelector("#curves canvas")`)
		const volts = `document.querySelector('[data-live="zinc-1.volts"]').textContent`
		const last = `(document.getElementById("plots").dispatchEvent(new KeyboardEvent("keydown", {key: "PageDown"})), document.getElementById("readout").textContent)`
		before, told := eval[string](b, volts), eval[string](b, last)
		b.until("other volts", volts+` !== "`+before+`"`)
		b.until("a longer curve", last+` !== "`+told+`"`)
		b.quiet()
	})
	t.Run("keyboard reads and zooms", func(t *testing.T) {
		b.do(chromedp.Focus("#plots"))
		b.do(chromedp.KeyEvent(kb.ArrowLeft), chromedp.KeyEvent(kb.ArrowLeft))
		b.until("values under the cursor", `/\d+\.\d+ V, .* A, .* A·h/.test(document.getElementById("readout").textContent)`)
		all := eval[string](b, `document.getElementById("read").textContent`)
		b.do(chromedp.KeyEvent("+"))
		b.until("a shorter stretch", `document.getElementById("read").textContent.slice(0, 20) !== `+"`"+all[:20]+"`")
		b.click(`[data-span="all"]`)
		b.until("the whole run again", `document.getElementById("read").textContent.slice(0, 20) === `+"`"+all[:20]+"`")
		b.quiet()
	})
	t.Run("an alarm is shown, said, and acknowledged by an operator only", func(t *testing.T) {
		night.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
		b.until("the alarm", `document.getElementById("ack-hard-short")`)
		b.until("the announcement", `document.getElementById("say").textContent.includes("Hard short")`)
		b.until("the standing", `document.querySelector(".answer").dataset.is === "act" && document.title.startsWith("■")`)
		b.axe("with an alarm")
		b.click("#ack-hard-short")
		b.until("the sign-in form", `location.pathname === "/login"`)
		fill := func(token string) {
			b.do(chromedp.SendKeys("#who", "night shift"), chromedp.SendKeys("#token", token))
			b.click(".go")
		}
		fill("not the token at all")
		b.until("the refusal", `document.querySelector(".problem")`)
		if got := night.op.orders(); len(got) != 0 {
			t.Fatalf("without authority: %q", got)
		}
		b.forgive("403")
		fill(operatorToken)
		b.until("the confirm step", `document.querySelector("form[action$='/acknowledge'] .go")`)
		if text := eval[string](b, `document.querySelector("form.ask").textContent`); !strings.Contains(text, "zinc-1") || !strings.Contains(text, "Hard short") {
			t.Errorf("the confirm step does not name cell and alarm: %s", text)
		}
		b.axe("confirm step")
		b.picture("confirm")
		b.click(".go")
		b.until("what was done", `document.querySelector(".flash")?.textContent.includes("is acknowledged")`)
		b.until("the alarm's new state", `document.querySelector(".alarms").textContent.includes("acknowledged, night shift")`)
		if got := night.op.orders(); len(got) != 1 || got[0] != "acknowledge zinc-1 hard-short night shift" {
			t.Errorf("orders %q", got)
		}
		b.open(t, night.url+"/cell/zinc-1/enter?kind=assay", `document.querySelector("form.ask")`)
		b.axe("enter")
		b.picture("enter")
		b.quiet()
	})
	t.Run("in print and black and white", func(t *testing.T) {
		b.open(t, night.url+"/", isLive)
		b.media("print", "light")
		if shown := eval[string](b, `[".acts", ".range", ".link", ".who"].filter(s => document.querySelector(s) && getComputedStyle(document.querySelector(s)).display !== "none").join()`); shown != "" {
			t.Errorf("of no use on paper: %s", shown)
		}
		if ink := eval[string](b, `getComputedStyle(document.body).color`); ink != "rgb(0, 0, 0)" {
			t.Errorf("printed in %s", ink)
		}
		b.picture("print")
		b.media("", "light")
		b.quiet()
	})
	t.Run("without JavaScript", func(t *testing.T) {
		call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		b.do(chromedp.Navigate(night.url + "/"))
		for selector, want := range map[string]string{".sentence": "Zinc 1 has passed", ".sheet": "Current density", "#alarms": "Hard short", ".happened": "Addition", ".asof": "not live", "noscript": "need JavaScript"} {
			text, err := chromedp.Run(b.ctx, chromedp.Text(selector))
			if err != nil || !strings.Contains(text, want) {
				t.Errorf("%s says %q, %v; want %q", selector, text, err, want)
			}
		}
		call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: false})
	})
	t.Run("a page that lost its connection says so", func(t *testing.T) {
		b.open(t, night.url+"/", isLive)
		b.quiet()
		night.stop()
		b.until("the warning", `document.getElementById("link").dataset.is === "lost" && document.getElementById("say").textContent.includes("lost its connection")`)
		b.forgive("ERR_")
		if text := eval[string](b, `getComputedStyle(document.querySelector(".answer"), "::before").content + getComputedStyle(document.querySelector(".standing"), "::after").content + document.title[0]`); !strings.Contains(text, "Not live") || !strings.Contains(text, "not known now") || !strings.HasSuffix(text, "○") {
			t.Errorf("an answer that is old does not say so: %s", text)
		}
		if eval[bool](b, `document.querySelector(".standing > [data-live]").checkVisibility()`) {
			t.Error("an old standing is still shown as the present one")
		}
		b.axe("without a connection")
		b.picture("lost")
	})
}

// TestShortOnThePage scripts a short on the simulated cell behind a real daemon. The
// page shows it without being asked. How many polls went by meanwhile is shown, not judged:
// a busy browser draws when it can.
func TestShortOnThePage(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	w := watch(t, setup{speed: 3, poll: "18 s", scenario: "[[event]]\nat = \"40 s\"\nkind = \"hard-short\"\nohms = 0.03\n"})
	w.latest(t)
	b.open(t, w.url+"/", isLive)
	has := func(c *snapshot.Cell) bool {
		for _, a := range c.Alarms {
			if a.Condition == "hard-short" {
				return true
			}
		}
		return false
	}
	var detected, shown uint64
	eventually(t, "the detection", func() bool {
		c := w.latest(t)
		detected = c.Poll.Good + c.Poll.Bad
		return has(c)
	})
	b.until("the short on the page", `document.getElementById("ack-hard-short")`)
	c := w.latest(t)
	shown = c.Poll.Good + c.Poll.Bad
	t.Logf("detected with poll %d, on the page by poll %d", detected, shown)
	if text := eval[string](b, `document.querySelector(".alarms li").textContent`); !strings.Contains(text, "Do first") {
		t.Errorf("the alarm does not say what to do first: %s", text)
	}
	b.picture("short")
	b.quiet()
}
