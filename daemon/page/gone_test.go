package page_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"nightcell/alerts"
	"nightcell/daemon/snapshot"
)

const isLost = `document.getElementById("link").dataset.is === "lost"`

// narrow looks at what is open on narrow telephones, light and dark: nothing scrolls sideways.
func narrow(b *browser, name string) {
	b.t.Helper()
	for _, width := range []int64{320, 390} {
		for scheme, dark := range map[string]bool{"light": false, "dark": true} {
			b.look(width, 720, true, dark)
			look := fmt.Sprintf("%s %d %s", name, width, scheme)
			if over := eval[float64](b, `document.documentElement.scrollWidth - window.innerWidth`); over > 0 {
				b.t.Errorf("%s: the page is %v px wider than the window", look, over)
			}
			if got := eval[float64](b, `window.innerWidth`); got != float64(width) {
				b.t.Errorf("%s: the window was widened to %v", look, got)
			}
			b.picture(look)
		}
	}
}

// enabled lists what a person could still press that needs the daemon.
const enabled = `[...document.querySelectorAll("main button, main a.button, .who button, .who a")].filter(e => e.checkVisibility() && (e.tagName === "BUTTON" ? !e.disabled : e.hasAttribute("href"))).map(e => e.textContent.trim()).join(", ")`

// TestPageWhenTheDaemonIsGone: a page that is left open says since when it is old, offers nothing that cannot be done, and after a
// restart, which signs everybody out, offers to sign in again.
func TestPageWhenTheDaemonIsGone(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	night := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	night.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	b.open(t, night.url+"/login?next=/cell/zinc-1", `document.getElementById("token")`)
	b.do(chromedp.SendKeys("#who", "night shift"), chromedp.SendKeys("#token", operatorToken))
	b.click(".go")
	b.until("the cell, live, with its curves", `document.getElementById("link") && `+isLive+` && document.querySelector("#curves canvas") && document.getElementById("ack-hard-short")`)
	narrow(b, "live")
	if got := eval[string](b, enabled); !strings.Contains(got, "Acknowledge") || !strings.Contains(got, "Sign out") || !strings.Contains(got, "6 h") {
		t.Errorf("while the daemon is there one can press %s", got)
	}
	b.quiet()

	night.stop()
	b.until("the loss", isLost)
	b.forgive("ERR_")
	const age, since = `document.querySelector('[data-live="zinc-1.age"]').textContent`, `document.getElementById("link").textContent`
	old, oldSince := eval[string](b, age), eval[string](b, since)
	b.until("ages that run on", age+` !== "`+old+`" && `+since+` !== "`+oldSince+`" && /^\d+ (s|min) .*ago$/.test(`+age+`) && /not live for \d+ /.test(`+since+`)`)
	if line := eval[string](b, `getComputedStyle(document.querySelector(".answer .sentence")).textDecorationLine`); line != "line-through" {
		t.Errorf("the old verdict is drawn with %s", line)
	}
	if got := eval[string](b, enabled); got != "" {
		t.Errorf("without the daemon one can press %s", got)
	}
	if answer := eval[string](b, `getComputedStyle(document.querySelector(".answer"), "::before").content`); !strings.Contains(answer, "Not live for ") {
		t.Errorf("the answer begins with %s", answer)
	}
	b.axe("without the daemon")
	narrow(b, "gone")
	b.forgive("ERR_")

	again := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, address: strings.TrimPrefix(night.url, "http://"),
		prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	again.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	b.until("events again", isLive)
	b.forgive("ERR_")
	b.until("the offer to sign in", `document.getElementById("again").checkVisibility() && !document.getElementById("mine").checkVisibility() && document.getElementById("say").textContent.includes("signed out")`)
	if got := eval[string](b, enabled); !strings.Contains(got, "Acknowledge") || !strings.Contains(got, "6 h") {
		t.Errorf("after the restart one can press %s", got)
	}
	if line := eval[string](b, `getComputedStyle(document.querySelector(".answer .sentence")).textDecorationLine`); line != "none" {
		t.Errorf("the new verdict is drawn with %s", line)
	}
	narrow(b, "again")
	b.click("#again")
	b.until("the sign-in form", `location.pathname === "/login" && new URLSearchParams(location.search).get("next") === "/cell/zinc-1"`)
	b.quiet()

	b.do(chromedp.SendKeys("#who", "night shift"), chromedp.SendKeys("#token", operatorToken))
	b.click(".go")
	b.until("the cell again", `document.getElementById("mine")`)
	b.open(t, again.url+"/cell/zinc-1/enter?kind=remark", `document.getElementById("link") && `+isLive)
	b.do(chromedp.SendKeys("#f-text", "the stirrer is slow"))
	if got := eval[string](b, enabled); !strings.Contains(got, "See what it does") {
		t.Errorf("in the confirm step one can press %s", got)
	}
	again.stop()
	b.until("the loss", isLost)
	b.forgive("ERR_")
	if got := eval[string](b, enabled+` + document.getElementById("f-text").value`); got != "the stirrer is slow" {
		t.Errorf("without the daemon the confirm step still has: %s", got)
	}
}

// TestAFormOutlivesARestart: the sign-in that a restart ended is offered, and what was written is still there, not yet done.
func TestAFormOutlivesARestart(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	v.signIn()
	f := url.Values{"form": {v.form("/cell/zinc-2/enter?kind=remark")}, "subject": {"remark"}, "confirm": {"zinc-2"}, "text": {"stirrer \"slow\" & warm"}}
	v.client.Jar = nil // as a restart: the page knows nobody any more
	a := v.send(http.MethodPost, "/cell/zinc-2/enter", f)
	v.want("writing without a sign-in", a, http.StatusForbidden)
	for _, want := range []string{"Nothing was done", `action="/login"`, `name="next" value="/cell/zinc-2/enter?kind=remark"`, `name="kept" value="text=stirrer&#43;%22slow%22&#43;%26&#43;warm"`} {
		if !strings.Contains(a.body, want) {
			t.Errorf("%s is missing in %s", want, a.body)
		}
	}
	if strings.Contains(a.body, "confirm=") || strings.Contains(a.body, "form=") {
		t.Errorf("the confirmation outlives its form: %s", a.body)
	}
	if got := b.op.orders(); len(got) != 0 {
		t.Fatalf("without authority: %q", got)
	}
	v = b.visitor()
	login := url.Values{"who": {"night shift"}, "token": {"not the token of the test"}, "next": {"/cell/zinc-2/enter?kind=remark"}, "kept": {url.Values{"text": f["text"]}.Encode()}}
	if a := v.send(http.MethodPost, "/login", login); !strings.Contains(a.body, `name="kept" value="text=`) {
		t.Errorf("a wrong token loses what was written: %s", a.body)
	}
	login.Set("token", operatorToken)
	a = v.send(http.MethodPost, "/login", login)
	v.want("signing in", a, http.StatusSeeOther)
	if to := a.Header.Get("Location"); to != "/cell/zinc-2/enter?kind=remark" {
		t.Errorf("on to %s", to)
	}
	for i, want := range []bool{true, false} {
		if got := strings.Contains(v.get("/cell/zinc-2/enter?kind=remark").body, "stirrer &#34;slow&#34; &amp; warm</textarea>"); got != want {
			t.Errorf("look %d: what was written is there: %v", i, got)
		}
	}
	acknowledge := v.bench.visitor().send(http.MethodPost, ackPath, ackForm("none"))
	if acknowledge.StatusCode != http.StatusForbidden || !strings.Contains(acknowledge.body, `name="next" value="/cell/zinc-1/acknowledge?condition=hard-short"`) {
		t.Errorf("acknowledging without a sign-in: %s", acknowledge.body)
	}
	out := v.bench.visitor().send(http.MethodPost, "/logout", url.Values{"form": {"none"}})
	if out.StatusCode != http.StatusSeeOther {
		t.Errorf("signing out after a restart: status %d", out.StatusCode)
	}
}

// TestTheCellThatNeedsSomebodyStandsFirst, also when that changes on a page that is open.
func TestTheCellThatNeedsSomebodyStandsFirst(t *testing.T) {
	t.Parallel()
	night := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1"), zinc("zinc-2"), zinc("zinc-3"), zinc("zinc-4")}})
	for i := range 4 {
		night.poll(i, time.Second)
	}
	medium := short()
	medium.Priority, medium.Condition = alerts.High, "over-current"
	night.change(1, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{medium} })
	night.change(3, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	body := night.visitor().get("/").body
	last := 0
	for _, cell := range []string{"zinc-4", "zinc-2", "zinc-1", "zinc-3"} {
		at := strings.Index(body, `href="/cell/`+cell+`"`)
		if at < last {
			t.Errorf("%s stands at %d, the one before at %d", cell, at, last)
		}
		last = at
	}
	b := newBrowser(t)
	b.open(t, night.url+"/", isLive)
	narrow(b, "all")
	const order = `[...document.querySelectorAll(".cells > li")].map(e => e.dataset.standing).join(" ")`
	b.until("the order", order+` === "zinc-4 zinc-2 zinc-1 zinc-3"`)
	b.do(chromedp.Focus(`a[href="/cell/zinc-3"]`))
	night.change(2, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	night.change(3, func(c *snapshot.Cell) { c.Alarms = nil })
	b.until("the new order", order+` === "zinc-3 zinc-2 zinc-1 zinc-4"`)
	if at := eval[string](b, `document.activeElement.getAttribute("href")`); at != "/cell/zinc-3" {
		t.Errorf("the keyboard's place has gone to %s", at)
	}
	b.quiet()
	night.stop()
	b.until("the loss", isLost)
	narrow(b, "all gone")
	if line := eval[string](b, `["headline", "sentence"].map(c => getComputedStyle(document.querySelector("." + c)).textDecorationLine).join()`); line != "line-through,line-through" {
		t.Errorf("the old verdicts are drawn with %s", line)
	}
}
