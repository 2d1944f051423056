package page_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"nightcell/alerts"
	"nightcell/daemon/snapshot"
)

const before, ended = "20260111T200000Z", "20260112T200000Z"

// morning is a bench whose cell has two ended runs, of those that are shipped; invented throughout.
func morning(t *testing.T) *bench {
	t.Helper()
	c := zinc("zinc-1")
	c.Ended, c.Run, c.Reading.At = true, ended, time.Now().Add(-time.Hour)
	return newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{c}, prepare: func(data string) {
		for _, run := range []string{before, ended} {
			if err := os.CopyFS(filepath.Join(data, "runs", "zinc-1", run), os.DirFS("../../testdata/accounts/runs/zinc-1/"+run)); err != nil {
				t.Fatal(err)
			}
		}
	}})
}

// everyLook opens what is shown at 320, 390 and 1280 px, in light and dark and in print, and lets axe look for faults.
func everyLook(b *browser, name string) {
	b.t.Helper()
	for _, width := range []int64{320, 390, 1280} {
		for _, dark := range []bool{false, true} {
			b.look(width, 844, width < 1000, dark)
			if over := eval[float64](b, `document.documentElement.scrollWidth - window.innerWidth`); over > 0 {
				b.t.Errorf("%s at %d px is %v px wider than the window", name, width, over)
			}
			b.axe(fmt.Sprintf("%s at %d px, dark %v", name, width, dark))
			if width != 320 {
				b.picture(fmt.Sprintf("%s %d dark-%v", name, width, dark))
			}
		}
	}
	b.media("print", "light")
	b.axe(name + " in print")
	b.picture(name + " print")
	b.look(390, 844, true, false)
}

// follow presses what leads to another page, and waits for that.
func (b *browser) follow(selector string) {
	b.t.Helper()
	b.until("something to press at "+selector, pressable(selector)+fmt.Sprintf(` && (window.before = true, document.querySelector(%q).click(), true)`, selector))
	eventually(b.t, "the page behind "+selector, func() bool {
		there, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`!window.before && document.readyState === "complete"`))
		return err == nil && there // an error: it is just being left
	})
}

// signInHere fills in the form of the sign-in that is shown.
func (b *browser) signInHere() {
	b.t.Helper()
	b.do(chromedp.SendKeys("#who", "ann"), chromedp.SendKeys("#token", operatorToken))
	b.follow(".go")
}

// TestFinishByThumb walks the checklist on a telephone, with the one button that each step has at its end.
func TestFinishByThumb(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	m := morning(t)
	b.look(390, 844, true, false)
	b.open(t, m.url+"/cell/zinc-1", isLive)
	b.follow(`.acts a[href$="/finish"]`)
	b.until("the sign-in form", `document.getElementById("token")`)
	b.signInHere()
	b.until("the checklist", `document.querySelector(".checklist .now")`)
	everyLook(b, "finish")
	fill := func(field, text string) {
		b.do(chromedp.SendKeys("#f-"+field, text))
	}
	step := func(title string) {
		t.Helper()
		b.until(title, `document.querySelector(".checklist .now h2")?.textContent.includes("`+title+`")`)
	}
	press := func() {
		t.Helper()
		if size := eval[string](b, `(() => { const r = document.querySelector(".thumb .go").getBoundingClientRect(); return r.width >= 240 && r.height >= 44 ? "" : r.width + " by " + r.height; })()`); size != "" {
			t.Errorf("the button is only %s px", size)
		}
		b.follow(".thumb .go")
	}
	sure := func(says string) {
		t.Helper()
		b.until("what it would do", `document.querySelector(".would")?.textContent.includes("`+says+`")`)
		b.picture("would " + strings.Fields(says)[0])
		press()
	}
	step("Fan and face shield on")
	press()
	step("Lift the cathode out")
	press()
	step("Rinse")
	b.do(chromedp.Click(".now details summary"), chromedp.SendKeys("#f-text", "rinsed last night"))
	b.follow(".leave button")
	step("Dry to constant mass")
	fill("mass", "13.1 mL")
	press()
	b.until("the mistake", `document.querySelector(".problem")?.textContent.includes("is a volume")`)
	b.forgive("400")
	b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("f-mass").value = ""`))
	fill("mass", "131 g")
	press()
	b.until("the contradiction", `document.querySelector(".problem")?.textContent.includes("is not entered") && document.querySelector("input[name=certain]")`)
	b.forgive("422")
	b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("f-mass").value = ""`))
	for range 2 {
		fill("mass", "13.10 g ± 0.02 g")
		press()
		sure("current efficiency")
		b.until("the next step", `document.querySelector(".flash")?.textContent.includes("Entered: Dried")`)
	}
	step("Weigh the deposit")
	fill("mass", "13.10 g ± 0.02 g")
	press()
	sure("current efficiency")
	step("Test its identity")
	fill("result", "yes")
	press()
	sure("Identity")
	step("Store the deposit")
	if text := eval[string](b, `document.querySelector(".now").textContent`); !strings.Contains(text, "white rust") || !strings.Contains(text, "common practice, no source") {
		t.Errorf("how zinc is stored, and by whose word: %s", text)
	}
	press()
	step("Decide on the catholyte")
	b.click(`input[value="keep"]`)
	press()
	sure("Checklist")
	step("Decide on the anolyte")
	b.picture("finish anolyte")
	b.click(`input[value="hand-over"]`)
	fill("volume", "0.5 L")
	fill("to", "waste acid")
	press()
	sure("Discarded")
	b.until("the end", `document.querySelector(".thumb a.go")?.textContent.includes("the account")`)
	b.quiet()
	b.follow(`.thumb a.go[href*="/account"]`)
	b.until("the account with its pictures", `document.querySelectorAll(".account img").length > 0 && [...document.querySelectorAll(".account img")].every(i => i.complete && i.naturalWidth > 0)`)
	if text := eval[string](b, `document.querySelector(".account").textContent`); !strings.Contains(text, "current efficiency") || !strings.Contains(text, "13.100 ± 0.023 g") {
		t.Errorf("the account says %s", text)
	}
	everyLook(b, "account")
	b.open(t, m.url+"/cell/zinc-1/entries", `document.querySelector(".happened")`)
	everyLook(b, "entries")
	b.quiet()
}

// TestTwoScreens: on a telephone the figures of a signed-in view with an alarm begin within two screens, and what can be done stands
// at its lower edge. On a desktop the curves come first.
func TestTwoScreens(t *testing.T) {
	t.Parallel()
	b := newBrowser(t)
	night := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	night.change(0, func(c *snapshot.Cell) {
		late := short()
		late.Condition, late.State, late.First = "whisker", alerts.ACKED, false
		c.Alarms = []alerts.Alarm{short(), late}
	})
	b.look(390, 844, true, false)
	b.open(t, night.url+"/login", `document.getElementById("token")`)
	b.signInHere()
	b.open(t, night.url+"/cell/zinc-1", isLive+` && document.querySelectorAll("#curves canvas").length === 3 && document.getElementById("ack-hard-short")`)
	if top := eval[float64](b, `document.getElementById("figures-h").getBoundingClientRect().top + scrollY`); top > 2*844 {
		t.Errorf("the figures begin at %.0f px", top)
	}
	if low := eval[float64](b, `document.querySelector(".acts a").getBoundingClientRect().top`); low < 844*2/3 {
		t.Errorf("the buttons stand at %.0f px of 844", low)
	}
	everyLook(b, "cell")
	b.click("#more summary")
	b.until("more", `document.querySelector('#more a[href$="/begin"]').checkVisibility()`)
	b.axe("more")
	b.picture("cell more")
	b.look(1280, 844, false, false)
	b.until("curves at this width", `document.querySelectorAll("#curves canvas").length === 3`)
	if first := eval[bool](b, `(() => { const c = document.querySelector(".curves").getBoundingClientRect(), a = document.getElementById("alarms").getBoundingClientRect(); return c.left < a.left && c.top <= a.top && c.top < 844 / 2; })()`); !first {
		t.Error("on a desktop the curves are not first")
	}
	b.quiet()
}
