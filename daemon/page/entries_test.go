package page_test

import (
	"bytes"
	"fmt"
	"html"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`)

// hiddenIn returns what a confirm step carries along.
func hiddenIn(body string) url.Values {
	_, form, _ := strings.Cut(body, `class="ask"`)
	form, _, _ = strings.Cut(form, "</form>")
	f := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(form, -1) {
		f.Add(html.UnescapeString(m[1]), html.UnescapeString(m[2]))
	}
	return f
}

// patient sends a form again as often as it is told to wait.
func (v *visitor) patient(path string, f url.Values) (a answer) {
	v.t.Helper()
	eventually(v.t, "a turn", func() bool {
		a = v.send(http.MethodPost, path, f)
		return a.StatusCode != http.StatusTooManyRequests
	})
	return a
}

// write goes both steps of an act, and returns what the first says that it would do.
func (v *visitor) write(path string, fill url.Values) (would string) {
	v.t.Helper()
	a := v.get(path)
	v.want(path, a, http.StatusOK)
	f := hiddenIn(a.body)
	for k, x := range fill {
		f[k] = x
	}
	post, _, _ := strings.Cut(path, "?")
	looked := v.patient(post, f)
	v.want("looking at "+path, looked, http.StatusOK)
	f = hiddenIn(looked.body)
	f.Set("confirm", "zinc-1")
	v.want("writing "+path, v.patient(post, f), http.StatusSeeOther)
	_, would, _ = strings.Cut(looked.body, `<ul class="would">`)
	would, _, _ = strings.Cut(would, "</ul>")
	return would
}

// TestEveryKindAfterTheEnd: whatever a person may enter can be entered into an ended run from the page, in two steps of which the
// first changes nothing, for a time in the past, and be taken back.
func TestEveryKindAfterTheEnd(t *testing.T) {
	m := morning(t)
	v := m.visitor()
	v.signIn()
	run := filepath.Join(m.data, "runs", "zinc-1", ended)
	count := func() int {
		t.Helper()
		l, err := runlog.ReadLate(run)
		if err != nil || !l.Sound() {
			t.Fatalf("%v, %+v", err, l)
		}
		return len(l.Records)
	}
	values := map[string]string{ // where the example of a field contradicts this run, or is only one of a choice
		"weighing mass": "13.1 g", "weighing before": "", "weighing after": "", "weighing electrode": "", "dried mass": "13.1 g", "assay concentration": "16 g/L",
		"addition volume": "", "addition concentration": "", "dose volume": "", "dose concentration": "", "discarded mass": "", "sludge mass": "0.1 g",
	}
	for _, k := range control.EntryKinds() {
		if k.Desk || k.Name == "checklist" || k.Name == "confirm" || k.Name == "settle" {
			continue
		}
		fill := url.Values{"text": {"about " + k.Name}}
		for _, f := range k.Fields {
			value, changed := values[k.Name+" "+f.Name]
			if !changed {
				value = f.Example
			}
			fill.Set(f.Name, value)
		}
		had := count()
		a := v.get("/cell/zinc-1/enter?kind=" + k.Name)
		f := hiddenIn(a.body)
		for name, x := range fill {
			f[name] = x
		}
		looked := v.patient("/cell/zinc-1/enter", f)
		if looked.StatusCode == http.StatusUnprocessableEntity { // the example contradicts the run: it is certain
			f = hiddenIn(looked.body)
			for name, x := range fill {
				f[name] = x
			}
			f.Set("certain", "yes")
			looked = v.patient("/cell/zinc-1/enter", f)
		}
		v.want("looking at "+k.Name, looked, http.StatusOK)
		if count() != had {
			t.Fatalf("%s: a look has written", k.Name)
		}
		f = hiddenIn(looked.body)
		f.Set("confirm", "zinc-1")
		v.want("writing "+k.Name, v.patient("/cell/zinc-1/enter", f), http.StatusSeeOther)
		if count() != had+1 {
			t.Fatalf("%s: %d entries after %d", k.Name, count(), had)
		}
	}
	would := v.write("/cell/zinc-1/enter?kind=remark&run="+ended, url.Values{"text": {"the fan stood still"}, "at": {"2026-01-12T23:15"}})
	if !strings.Contains(would, "changes no figure") {
		t.Errorf("a remark would %s", would)
	}
	list := v.get("/cell/zinc-1/entries?run=" + ended).body
	var when []time.Time
	for _, cell := range regexp.MustCompile(`<td class="when">([^<]+)`).FindAllStringSubmatch(list, -1) {
		at, err := time.Parse("2 Jan 15:04", cell[1])
		if err != nil {
			t.Fatal(err)
		}
		when = append(when, at)
	}
	if !slices.IsSortedFunc(when, func(a, b time.Time) int { return b.Compare(a) }) || len(when) < 3 {
		t.Errorf("not newest first: %v", when)
	}
	_, line, _ := strings.Cut(list, `<td class="when">12 Jan 23:15`)
	if line, _, _ = strings.Cut(line, "</tr>"); !strings.Contains(line, "the fan stood still") || !strings.Contains(line, "night shift") {
		t.Fatalf("the list has %q", line)
	}
	_, back, _ := strings.Cut(line, `href="`)
	back, _, _ = strings.Cut(back, `"`)
	a := v.get(html.UnescapeString(back))
	v.want("the step before retracting", a, http.StatusOK)
	if !strings.Contains(a.body, "is retracted") || !strings.Contains(a.body, "Nothing is deleted") {
		t.Errorf("what a retraction does: %s", a.body)
	}
	f := hiddenIn(a.body)
	f.Set("confirm", "zinc-1")
	v.want("retracting", v.patient("/cell/zinc-1/retract", f), http.StatusSeeOther)
	list = v.get("/cell/zinc-1/entries?run=" + ended).body
	if !strings.Contains(list, "retracted</span>") || !strings.Contains(list, "retraction</span>") {
		t.Error("the list does not say what was retracted")
	}
	v.want("another run", v.get("/cell/zinc-1/enter?kind=remark&run=20200101T000000Z"), http.StatusNotFound)
	v.want("a run above the folder", v.get("/cell/zinc-1/entries?run=../zinc-1"), http.StatusNotFound)
	stolen := hiddenIn(v.get("/cell/zinc-1/enter?kind=remark").body)
	stolen.Set("run", before)
	stolen.Set("confirm", "zinc-1")
	stolen.Set("text", "in another run")
	v.want("a token of another run", v.patient("/cell/zinc-1/enter", stolen), http.StatusForbidden)
}

// TestPhotoFromThePage: a picture of a telephone is copied in whole; what is too large or no picture is not, and nobody else sends any.
func TestPhotoFromThePage(t *testing.T) {
	m := morning(t)
	v := m.visitor()
	v.signIn()
	send := func(v *visitor, form url.Values, name string, data []byte) answer {
		t.Helper()
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		for k := range form {
			_ = w.WriteField(k, form.Get(k))
		}
		part, err := w.CreateFormFile("file", name)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = part.Write(data)
		_ = w.Close()
		return v.send(http.MethodPost, "/cell/zinc-1/photo", nil, func(r *http.Request) {
			r.Body, r.ContentLength = http.NoBody, int64(b.Len())
			r.Body = readCloser{&b}
			r.Header.Set("Content-Type", w.FormDataContentType())
		})
	}
	form := func() url.Values {
		f := hiddenIn(v.get("/cell/zinc-1/photo").body)
		f.Set("confirm", "zinc-1")
		f.Set("text", "as lifted")
		return f
	}
	picture := bytes.Repeat([]byte("not quite a picture "), 200_000)
	v.want("a picture", send(v, form(), "deposit.JPG", picture), http.StatusSeeOther)
	found, _ := filepath.Glob(filepath.Join(m.data, "runs", "zinc-1", ended, "photo-*.jpg"))
	if len(found) != 1 {
		t.Fatalf("kept as %v", found)
	}
	v.want("a program", send(v, form(), "deposit.exe", picture), http.StatusBadRequest)
	v.want("a used form", send(v, url.Values{"form": {"x"}}, "deposit.jpg", picture), http.StatusForbidden)
	v.want("a stranger", send(m.visitor(), url.Values{}, "deposit.jpg", picture[:100]), http.StatusForbidden)
	if list := v.get("/cell/zinc-1/entries").body; strings.Count(list, "as lifted") != 1 {
		t.Error("the photo is not on the list once")
	}
}

type readCloser struct{ *bytes.Buffer }

func (readCloser) Close() error { return nil }

// TestActsOnAlarmsGapsAndNights: shelving, settling and the pre-flight say what they do before they do it.
func TestActsOnAlarmsGapsAndNights(t *testing.T) {
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 3000) }})
	shelved := short()
	shelved.Condition, shelved.State, shelved.Reason, shelved.ShelfEnds = "whisker", alerts.SHLVD, "known", time.Now().Add(time.Hour)
	b.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short(), shelved} })
	v := b.visitor()
	v.signIn()
	one := func(path, says string, fill url.Values, status int) {
		t.Helper()
		a := v.get(path)
		v.want(path, a, http.StatusOK)
		if !strings.Contains(a.body, says) {
			t.Errorf("%s does not say %q: %s", path, says, a.body)
		}
		f := hiddenIn(a.body)
		for k, x := range fill {
			f[k] = x
		}
		f.Set("confirm", "zinc-1")
		post, _, _ := strings.Cut(path, "?")
		v.want(path, v.patient(post, f), status)
	}
	one("/cell/zinc-1/shelve?condition=hard-short", "nobody is called for it and nightcell does not act on it", url.Values{"length": {"45 min"}, "text": {"the stirrer is off"}}, http.StatusSeeOther)
	one("/cell/zinc-1/shelve?condition=hard-short", "", url.Values{"length": {"45 min"}}, http.StatusBadRequest)
	one("/cell/zinc-1/shelve?condition=hard-short", "", url.Values{"length": {"45 g"}, "text": {"x"}}, http.StatusBadRequest)
	one("/cell/zinc-1/shelve?condition=hard-short", "", url.Values{"length": {"25 h"}, "text": {"x"}}, http.StatusBadRequest)
	one("/cell/zinc-1/unshelve?condition=whisker", "returns to service at once", nil, http.StatusSeeOther)
	one("/cell/zinc-1/begin", "open: Route", url.Values{"confirmed": {"leads", "level"}}, http.StatusConflict)
	one("/cell/zinc-1/begin", "What only a person", url.Values{"confirmed": control.ToConfirm()}, http.StatusSeeOther)
	one("/cell/zinc-1/drill", "over every route at once", nil, http.StatusSeeOther)
	eventually(t, "the gap", func() bool { return len(b.history.Happened("zinc-1").Gaps) == 1 })
	if a := v.get("/cell/zinc-1/enter?kind=settle"); !strings.Contains(a.body, "Gap 0, from") || !strings.Contains(a.body, `required value="0"`) {
		t.Errorf("the gap is not proposed: %s", a.body)
	}
	if would := v.write("/cell/zinc-1/enter?kind=settle", url.Values{"gap": {"0"}, "low": {"0 C"}, "best": {"0.05 A h"}, "high": {"0.06 A h"}}); !strings.Contains(would, "A trial of the settle.") {
		t.Errorf("a settlement would %s", would)
	}
	want := []string{
		"shelve zinc-1 hard-short night shift 2700 the stirrer is off", "unshelve zinc-1 whisker night shift 0 ", "begin zinc-1 night shift [leads level]",
		"begin zinc-1 night shift [leads level ventilation containment]", "drill zinc-1 night shift", `enter zinc-1 settle night shift map[best:180 high:216 index:0 low:0] map[] ""`,
	}
	if got := strings.Join(b.op.orders(), "\n"); got != strings.Join(want, "\n") {
		t.Errorf("orders:\n%s", got)
	}
}

// TestDense: many cells are a table with trouble first, one unit a column, and a filter.
func TestDense(t *testing.T) {
	t.Parallel()
	var cells []*snapshot.Cell
	for i := range 60 {
		cells = append(cells, zinc(fmt.Sprintf("zinc-%02d", i)))
	}
	b := newBrowser(t)
	n := newBench(t, benchOptions{token: operatorToken, cells: cells})
	n.change(41, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	b.look(1280, 844, false, false)
	b.open(t, n.url+"/", isLive)
	const first = `document.querySelector(".dense tbody tr").dataset.standing`
	b.until("trouble first", first+` === "zinc-41"`)
	row := eval[string](b, `[...document.querySelectorAll(".dense tbody tr:first-child > *")].map(e => e.textContent.trim()).join("|")`)
	if !strings.HasPrefix(row, "go to the cell|Zinc 41|Hard short|70.6|26.10|3.412|2.631|") {
		t.Errorf("the row says %q", row)
	}
	everyLook(b, "dense")
	b.look(1280, 844, false, false)
	b.do(chromedp.SendKeys("#find", "hard"))
	const shown = `[...document.querySelectorAll(".dense tbody tr")].filter(r => r.checkVisibility()).map(r => r.dataset.standing).join()`
	b.until("one row", shown+` === "zinc-41" && document.getElementById("found").textContent === "1 of 60 cells"`)
	n.change(7, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	b.until("a new one, by itself", `document.getElementById("found").textContent === "2 of 60 cells"`)
	b.quiet()
}

// TestHomeScreen: the page can be put there; the manifest is served as one, lets itself be read, and names pictures that are there.
func TestHomeScreen(t *testing.T) {
	t.Parallel()
	n := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}})
	b := newBrowser(t)
	b.open(t, n.url+"/", isLive)
	if got := eval[string](b, `fetch(document.querySelector("link[rel=manifest]").href).then(r => r.json().then(m => Promise.all(m.icons.map(i => fetch(i.src).then(a => a.ok))).then(ok => [r.headers.get("content-type"), m.display, m.start_url, ok.every(x => x) && ok.length].join(" "))))`); got != "application/manifest+json standalone / 2" {
		t.Errorf("the manifest: %s", got)
	}
	b.quiet()
}
