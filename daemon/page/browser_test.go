package page_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// required says that tests must not be skipped for want of a real browser.
func required() bool { return os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" }

// browser is a Chromium of the test's own.
type browser struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	problems []string // errors on the console and uncaught exceptions
}

func newBrowser(t *testing.T) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if required() {
			t.Fatal("chromium is not installed")
		}
		t.Skip("chromium is not installed")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.WSURLReadTimeout(2*time.Minute), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("hide-scrollbars", true))
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	tab, stopTab := chromedp.NewContext(allocator)
	ctx, cancel := context.WithTimeout(tab, 10*time.Minute) // against hanging; a busy machine takes one or two
	b := &browser{t: t, ctx: ctx}
	t.Cleanup(func() {
		if err := chromedp.Cancel(tab); err != nil {
			t.Log("closing the browser:", err)
		}
		cancel()
		stopTab()
		stopAllocator()
	})
	b.do()
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, log.Enable, cdp.Empty{}); err != nil {
		t.Fatal(err)
	}
	return b
}

// hear keeps what the browser complains about.
func (b *browser) hear(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *runtime.EventExceptionThrown:
		b.problems = append(b.problems, fmt.Sprintf("%s at %s:%d", ev.ExceptionDetails.Text, ev.ExceptionDetails.URL, ev.ExceptionDetails.LineNumber))
	case *log.EventEntryAdded:
		if ev.Entry.Level == log.EntryLevelError || ev.Entry.Level == log.EntryLevelWarning {
			b.problems = append(b.problems, ev.Entry.Text+" "+ev.Entry.URL)
		}
	case *runtime.EventConsoleAPICalled:
		if ev.Type == runtime.ConsoleAPICalledTypeError || ev.Type == runtime.ConsoleAPICalledTypeWarning {
			b.problems = append(b.problems, fmt.Sprint(ev.Type, " ", ev.Args))
		}
	}
}

func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// eval runs a script and returns its value.
func eval[T any](b *browser, script string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](script, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatal(err)
	}
	return v
}

// quiet fails if the browser had anything to complain about, but for a picture of the manifest that a page left too soon did
// not wait for: TestHomeScreen shows that they are there.
func (b *browser) quiet() {
	b.t.Helper()
	b.forgive("icon from the Manifest")
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, p := range b.problems {
		b.t.Errorf("on the console: %s", p)
	}
	b.problems = nil
}

// until waits until a script is true.
func (b *browser) until(what, script string) {
	b.t.Helper()
	eventually(b.t, what, func() bool { return eval[bool](b, "!!("+script+")") })
}

// pressable is the script of whether there is something to press: on a busy machine the page may count as lost for a moment, in which it takes no press.
func pressable(selector string) string {
	return fmt.Sprintf(`(e => e && !e.disabled && e.getAttribute("aria-disabled") !== "true")(document.querySelector(%q))`, selector)
}

// click presses what can be pressed.
func (b *browser) click(selector string) {
	b.t.Helper()
	b.until("something to press at "+selector, pressable(selector))
	b.do(chromedp.Click(selector))
}

// look sets the size and the scheme of the window.
func (b *browser) look(width, height int64, phone, dark bool) {
	b.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	scale, more := chromedp.EmulateScale(1), chromedp.EmulateLandscape
	if phone {
		scale, more = chromedp.EmulateScale(2), chromedp.EmulateMobile
	}
	b.do(chromedp.EmulateViewport(width, height, scale, more))
	b.media("", scheme)
}

// media makes the browser draw for screen or print, light or dark.
func (b *browser) media(kind, scheme string) {
	b.t.Helper()
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: kind, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

// call sends one command of the browser's protocol.
func call[P, R any](b *browser, command cdp.Command[P, R], parameters P) {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, command, parameters); err != nil {
		b.t.Fatal(err)
	}
}

// open goes to a page and waits until a script says that it is ready.
func (b *browser) open(t *testing.T, url, ready string) {
	b.t = t
	t.Helper()
	b.do(chromedp.Navigate(url))
	b.until("page "+url, ready)
}

// forgive drops complaints that the test has provoked.
func (b *browser) forgive(about string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.problems = slices.DeleteFunc(b.problems, func(p string) bool { return strings.Contains(p, about) })
}

// axe runs the accessibility checker on the page that is open.
func (b *browser) axe(where string) {
	b.t.Helper()
	script := axeScript(b.t)
	if script == "" {
		b.t.Log("axe-core is not installed; the page is not checked with it")
		return
	}
	eval[any](b, script+"; 0")
	found := eval[string](b, `axe.run(document, {resultTypes: ["violations"], rules: {"target-size": {enabled: true}}}).then(r => JSON.stringify({passed: r.passes.length, violations: r.violations.map(v => v.id + ": " + v.help + " " + v.nodes.map(n => n.target + " " + n.failureSummary).join(" | "))}))`)
	var result struct {
		Passed     int
		Violations []string
	}
	if err := json.Unmarshal([]byte(found), &result); err != nil {
		b.t.Fatal(err)
	}
	if result.Passed < 10 {
		b.t.Errorf("%s: axe ran only %d rules", where, result.Passed)
	}
	for _, v := range result.Violations {
		b.t.Errorf("%s: %s", where, v)
	}
}

// axeScript finds axe-core: by NIGHTCELL_AXE, or in a node_modules above this folder.
func axeScript(t *testing.T) string {
	t.Helper()
	places := []string{os.Getenv("NIGHTCELL_AXE")}
	if dir, err := os.Getwd(); err == nil {
		for ; dir != filepath.Dir(dir); dir = filepath.Dir(dir) {
			places = append(places, filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
		}
	}
	for _, p := range places {
		if p == "" {
			continue
		}
		if data, err := os.ReadFile(p); err == nil {
			return string(data)
		}
	}
	if required() {
		t.Fatal("axe-core is not installed: npm install axe-core, and NIGHTCELL_AXE=path of axe.min.js")
	}
	return ""
}

// picture keeps a screenshot of the whole page where NIGHTCELL_PICTURES says.
func (b *browser) picture(name string) {
	b.t.Helper()
	dir := os.Getenv("NIGHTCELL_PICTURES")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, strings.ReplaceAll(name, " ", "-")+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
