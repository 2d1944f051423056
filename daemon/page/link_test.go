package page_test

import (
	"encoding/base64"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/page"
	"nightcell/daemon/report"
	"nightcell/daemon/snapshot"
)

const linkedRun = "20260328T200000Z"

// signer opens the links of a data directory.
func signer(t *testing.T, data string) *page.Links {
	t.Helper()
	l, err := page.OpenLinks(data)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// hours is a picture as notices carry it.
func hours(t *testing.T) []byte {
	t.Helper()
	s := report.Series{Title: "zinc-1", Location: time.UTC}
	for i := range 100 {
		s.At = append(s.At, time.Now().Add(time.Duration(i-100)*time.Minute))
		s.Volts, s.Amperes = append(s.Volts, 3.4), append(s.Amperes, 2.6)
	}
	s.Mark = s.At[90]
	png, err := s.Draw()
	if err != nil {
		t.Fatal(err)
	}
	return png
}

// linkedBench is a cell with a short that waits for an answer, and a good link to it.
func linkedBench(t *testing.T, data string) (*bench, page.Link) {
	t.Helper()
	c, a := zinc("zinc-1"), short()
	c.Run, c.Alarms = "/data/runs/zinc-1/"+linkedRun, []alerts.Alarm{a}
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{c}, links: signer(t, data), byLink: func(r string) bool { return r == "mail" }, drawn: hours(t)})
	return b, page.Link{Cell: "zinc-1", Run: linkedRun, Condition: "hard-short", Since: a.Since, Route: "mail", Person: "shift@lab.example", Ends: time.Now().Add(time.Hour)}
}

// TestLinkAcknowledgesOnce is the honest way: a look, which a preview of the link takes too, and one tap. Its second use is refused,
// by another process on the same data as well, though the alarm waits again.
func TestLinkAcknowledgesOnce(t *testing.T) {
	data := t.TempDir()
	b, link := linkedBench(t, data)
	v, path := b.visitor(), "/alarm/"+signer(t, data).Sign(link)
	for range 3 {
		if a := v.get(path); a.StatusCode != http.StatusOK || !strings.Contains(a.body, "Acknowledge: zinc-1, Hard short") || !strings.Contains(a.body, "lift the cathode") ||
			a.Header.Get("Cache-Control") != "no-store" || a.Header.Get("Content-Security-Policy") == "" || len(a.Cookies()) != 0 {
			t.Fatalf("%d %v: %s", a.StatusCode, a.Header, a.body)
		}
		v.want("a HEAD", v.send(http.MethodHead, path, nil), http.StatusOK)
	}
	if got := b.op.orders(); len(got) != 0 {
		t.Fatalf("looking has done %q", got)
	}
	v.want("the tap", v.send(http.MethodPost, path, url.Values{}), http.StatusSeeOther)
	if got := b.op.orders(); len(got) != 1 || got[0] != "acknowledge zinc-1 hard-short link of route mail to shift@lab.example" {
		t.Fatalf("orders %q", got)
	}
	if a := v.get(path); !strings.Contains(a.body, "link of route mail to shift@lab.example") || strings.Contains(a.body, "<button class") {
		t.Errorf("after the tap: %s", a.body)
	}
	v.want("a second tap on an answered alarm", v.send(http.MethodPost, path, url.Values{}), http.StatusSeeOther)
	again, _ := linkedBench(t, data) // another process; the alarm waits again
	for what, b := range map[string]*bench{"here": b, "after a restart": again} {
		b.change(0, func(c *snapshot.Cell) {
			a := short()
			a.Since = link.Since
			c.Alarms = []alerts.Alarm{a}
		})
		v := b.visitor()
		eventually(t, what+": the alarm that waits again", func() bool {
			a := v.get(path)
			return a.StatusCode == http.StatusOK && !strings.Contains(a.body, "<button class") && strings.Contains(a.body, "/cell/zinc-1/acknowledge?condition=hard-short")
		})
		before := len(b.op.orders())
		a := v.send(http.MethodPost, path, url.Values{})
		if v.want(what, a, http.StatusForbidden); len(b.op.orders()) != before || !strings.Contains(a.body, "was used once already") {
			t.Errorf("%s, used again: %q, %s", what, b.op.orders(), a.body)
		}
	}
}

// TestLinksRefused is the table of attacks: none acknowledges, and each is answered by a sentence that says why.
func TestLinksRefused(t *testing.T) {
	data := t.TempDir()
	b, link := linkedBench(t, data)
	links := signer(t, data)
	with := func(change func(*page.Link)) string {
		l := link
		change(&l)
		return links.Sign(l)
	}
	good := links.Sign(link)
	body, sum, _ := strings.Cut(good, ".")
	text, err := base64.RawURLEncoding.DecodeString(body)
	if err != nil {
		t.Fatal(err)
	}
	swapped := func(old, new string) string {
		return base64.RawURLEncoding.EncodeToString([]byte(strings.Replace(string(text), old, new, 1))) + "." + sum
	}
	const foreign = "altered, cut short, or made by another nightcell"
	for _, tt := range []struct {
		name, token, say string
		status           int
	}{
		{"made by another nightcell", signer(t, t.TempDir()).Sign(link), foreign, http.StatusForbidden},
		{"another cell written in", swapped("zinc-1", "zinc-2"), foreign, http.StatusForbidden},
		{"another alarm written in", swapped("hard-short", "over-current"), foreign, http.StatusForbidden},
		{"another route written in", swapped("mail", "hook"), foreign, http.StatusForbidden},
		{"a longer life written in", swapped("\n", "\n1"), foreign, http.StatusForbidden},
		{"signature cut short", good[:len(good)-1], foreign, http.StatusForbidden},
		{"signature longer", good + "A", foreign, http.StatusForbidden},
		{"padded", body + "." + sum + "=", foreign, http.StatusForbidden},
		{"no signature", body, foreign, http.StatusForbidden},
		{"an empty signature", body + ".", foreign, http.StatusForbidden},
		{"signature of another link", body + "." + strings.SplitN(with(func(l *page.Link) { l.Route = "hook" }), ".", 2)[1], foreign, http.StatusForbidden},
		{"nonsense", "x.y", foreign, http.StatusForbidden},
		{"expired", with(func(l *page.Link) { l.Ends = time.Now().Add(-time.Second) }), "expired at", http.StatusGone},
		{"of another cell", with(func(l *page.Link) { l.Cell = "zinc-2" }), "zinc-2, which is not watched here", http.StatusGone},
		{"of an earlier run", with(func(l *page.Link) { l.Run = "20260327T200000Z" }), "about another run; now it is the run of Sat 28 Mar 2026", http.StatusGone},
		{"of an alarm that is over", with(func(l *page.Link) { l.Condition = "lead-off" }), "is over; there is nothing left to acknowledge", http.StatusGone},
		{"of an earlier alarm of the condition", with(func(l *page.Link) { l.Since = l.Since.Add(-time.Hour) }), "came again at", http.StatusGone},
		{"of a route that may not", with(func(l *page.Link) { l.Route = "hook" }), "acknowledge_by_link under [route.hook]", http.StatusForbidden},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := b.visitor()
			path := "/alarm/" + tt.token
			a := v.send(http.MethodPost, path, url.Values{})
			if v.want("the tap", a, tt.status); !strings.Contains(a.body, strings.ReplaceAll(tt.say, "'", "&#39;")) {
				t.Errorf("it does not say %q: %s", tt.say, a.body)
			}
			if a := v.get(path); strings.Contains(a.body, `<button class="go"`) {
				t.Errorf("the page offers the button: %s", a.body)
			}
		})
	}
	v := b.visitor()
	fromElsewhere := func(r *http.Request) {
		r.Header.Set("Origin", "https://elsewhere.example")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
	}
	v.want("from another site", v.send(http.MethodPost, "/alarm/"+good, url.Values{}, fromElsewhere), http.StatusForbidden)
	for _, act := range []string{"off", "hold", "acknowledge"} { // a link opens no other door
		v.want(act, v.send(http.MethodPost, "/cell/zinc-1/"+act, url.Values{"form": {good}, "confirm": {"zinc-1"}, "subject": {"hard-short"}}), http.StatusForbidden)
	}
	if got := b.op.orders(); len(got) != 0 {
		t.Errorf("they have done %q", got)
	}
	none := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}}).visitor()
	none.want("a nightcell without links", none.get("/alarm/"+good), http.StatusNotFound)
}

// TestLinkGivesItsUseBack: what came to nothing is no use, and a use that cannot be kept acknowledges nothing.
func TestLinkGivesItsUseBack(t *testing.T) {
	data := t.TempDir()
	b, link := linkedBench(t, data)
	v, path := b.visitor(), "/alarm/"+signer(t, data).Sign(link)
	if err := os.Mkdir(filepath.Join(data, "links.used.new"), 0o700); err != nil { // where the file is written first
		t.Fatal(err)
	}
	a := v.send(http.MethodPost, path, url.Values{})
	if v.want("on a full disk", a, http.StatusInsufficientStorage); len(b.op.orders()) != 0 || !strings.Contains(a.body, "Nothing was acknowledged") {
		t.Errorf("%q: %s", b.op.orders(), a.body)
	}
	if err := os.Remove(filepath.Join(data, "links.used.new")); err != nil {
		t.Fatal(err)
	}
	b.op.refuse = true
	v.want("while the cell refuses", v.send(http.MethodPost, path, url.Values{}), http.StatusConflict)
	b.op.refuse = false
	v.want("afterwards", v.send(http.MethodPost, path, url.Values{}), http.StatusSeeOther)
}

// TestLinkKey: it is made once, for its owner alone, and what is damaged or open to others is refused with the way out.
func TestLinkKey(t *testing.T) {
	data := t.TempDir()
	token := signer(t, data).Sign(page.Link{Cell: "zinc-1", Ends: time.Now()})
	if _, err := signer(t, data).Read(token); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	key := filepath.Join(data, "links.key")
	if info, err := os.Stat(key); err != nil || info.Mode().Perm() != 0o600 {
		t.Fatal(info, err)
	}
	refused := func(what, say string) {
		t.Helper()
		if _, err := page.OpenLinks(data); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for _, step := range []struct {
		what, say, file, text string
		mode                  os.FileMode
	}{
		{"open to the group", "chmod 600", key, strings.Repeat("k", 32), 0o640},
		{"cut short", "bytes instead of 32", key, "short", 0o600},
		{"used ones damaged", "remove links.used and links.key", filepath.Join(data, "links.used"), "{", 0o600},
	} {
		if step.file != key {
			if err := os.WriteFile(key, []byte(strings.Repeat("k", 32)), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.WriteFile(step.file, []byte(step.text), step.mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(step.file, step.mode); err != nil {
			t.Fatal(err)
		}
		refused(step.what, step.say)
	}
}

// FuzzLink: what is read was signed as it stands, and whatever is signed is read again.
func FuzzLink(f *testing.F) {
	data := f.TempDir()
	links, err := page.OpenLinks(data)
	if err != nil {
		f.Fatal(err)
	}
	good := links.Sign(page.Link{Cell: "zinc-1", Run: linkedRun, Condition: "hard-short", Route: "mail", Ends: time.Unix(2e9, 0)})
	f.Add(good, "zinc-1", "mail", int64(5), int64(2e9))
	f.Add("a.b", "", "", int64(-5), int64(0))
	f.Add(strings.Replace(good, ".", "\n.", 1), "z\n1", "ä", int64(1)<<62, int64(-1))
	f.Fuzz(func(t *testing.T, token, cell, route string, since, ends int64) {
		if l, err := links.Read(token); err == nil && token != good {
			t.Fatalf("%q passes as %+v", token, l)
		}
		want := page.Link{Cell: cell, Run: linkedRun, Condition: "hard-short", Since: time.Unix(0, since).UTC(), Route: route, Ends: time.Unix(ends, 0).UTC()}
		got, err := links.Read(links.Sign(want))
		if strings.Contains(cell+route, "\n") { // no name has one; it must not pass as another link
			if err == nil {
				t.Fatalf("%+v passes as %+v", want, got)
			}
			return
		}
		if want.Nonce = got.Nonce; err != nil || got != want || len(got.Nonce) < 20 {
			t.Fatalf("%+v, %v; want %+v", got, err, want)
		}
	})
}

// TestTwoTaps acknowledges with a thumb: the link of the message is the first tap, the button on its page the second, without scrolling.
func TestTwoTaps(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	b := newBrowser(t)
	night, link := linkedBench(t, data)
	for _, dark := range []bool{true, false} {
		b.look(390, 844, true, dark)
		b.open(t, night.url+"/alarm/"+signer(t, data).Sign(link), `document.querySelector(".linked button")`)
		if out := eval[string](b, `(() => { const r = document.querySelector(".linked button").getBoundingClientRect(); return r.bottom > innerHeight || r.height < 44 || document.documentElement.scrollWidth > innerWidth ? JSON.stringify(r) + innerHeight : ""; })()`); out != "" {
			t.Errorf("the button is not within reach of a thumb: %s", out)
		}
		b.axe("the page of a link")
		b.picture("link" + map[bool]string{true: "-dark"}[dark])
	}
	if !eval[bool](b, `document.querySelector(".hours").naturalWidth > 0`) {
		t.Error("the picture is not shown")
	}
	b.click(".linked button")
	b.until("the answer", `document.querySelector(".flash")?.textContent.includes("link of route mail to shift@lab.example")`)
	b.axe("the page of a used link")
	b.picture("link used")
	if got := night.op.orders(); len(got) != 1 || !strings.HasPrefix(got[0], "acknowledge zinc-1 hard-short link of") {
		t.Errorf("orders %q", got)
	}
	if c := night.snapshots()[0]; c.Alarms[0].State != alerts.ACKED {
		t.Errorf("the alarm is %s", c.Alarms[0].State)
	}
	b.quiet()
}
