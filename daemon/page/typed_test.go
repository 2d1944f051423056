package page_test

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var signOut = regexp.MustCompile(`action="/logout"><input type="hidden" name="form" value="([^"]+)"`)

// TestSignOutFromEveryPage: the frame's own form is not that of the act that the page asks about.
func TestSignOutFromEveryPage(t *testing.T) {
	v := alarmed(t).visitor()
	for _, path := range []string{"/cell/zinc-1", ackPath + "?condition=hard-short"} {
		v.signIn()
		m := signOut.FindStringSubmatch(v.get(path).body)
		if m == nil {
			t.Fatal("no form to sign out on ", path)
		}
		v.want("signing out from "+path, v.send(http.MethodPost, "/logout", url.Values{"form": {m[1]}}), http.StatusSeeOther)
	}
}

// TestNothingTypedIsLostOverTheSignIn: the checklist keeps figure and reason, a photo the run that it is of.
func TestNothingTypedIsLostOverTheSignIn(t *testing.T) {
	v := morning(t).visitor()
	for field, text := range map[string]string{"mass": "13.172 g", "text": "no scales here"} {
		a := v.send(http.MethodPost, "/cell/zinc-1/finish", url.Values{"form": {"x"}, "subject": {"weigh"}, "run": {ended}, field: {text}})
		next := hiddenIn(a.body)
		next.Set("who", "ann")
		next.Set("token", operatorToken)
		in := v.send(http.MethodPost, "/login", next)
		v.want("signing in", in, http.StatusSeeOther)
		if again := v.get(in.Header.Get("Location")); !strings.Contains(again.body, `name="`+field+`"`) || !strings.Contains(again.body, `value="`+text+`"`) {
			t.Errorf("%s is lost over the sign-in: %s", field, again.body)
		}
		v = v.bench.visitor()
	}

	signedIn := v.bench.visitor()
	signedIn.signIn()
	path := "/cell/zinc-1/photo?run=" + before
	if page := signedIn.get(path).body; !strings.Contains(page, `action="`+path+`"`) {
		t.Errorf("the form of the photo does not name its run: %s", page)
	}
	a := v.sendPhoto(path, url.Values{"run": {before}}, "", nil)
	if next := regexp.MustCompile(`name="next" value="([^"]+)"`).FindStringSubmatch(a.body); next == nil || !strings.Contains(next[1], before) {
		t.Errorf("the sign-in leads to %v", next)
	}
}

// sendPhoto sends a form with a file in it, as a browser does; no name: without one.
func (v *visitor) sendPhoto(path string, fields url.Values, name string, content []byte) answer {
	v.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for field := range fields {
		_ = w.WriteField(field, fields.Get(field))
	}
	if name != "" {
		file, _ := w.CreateFormFile("file", name)
		_, _ = file.Write(content)
	}
	_ = w.Close()
	return v.send(http.MethodPost, path, nil, func(r *http.Request) {
		r.Body, r.ContentLength = readCloser{&b}, int64(b.Len())
		r.Header.Set("Content-Type", w.FormDataContentType())
	})
}

// TestPhotos: a photo is taken in and seen from the list of entries; a file that is none leaves the caption, one that is too large is told
// the limit, and nothing else of a run is served.
func TestPhotos(t *testing.T) {
	v := morning(t).visitor()
	v.signIn()
	path := "/cell/zinc-1/photo?run=" + before
	send := func(name string, content []byte) answer {
		return v.sendPhoto(path, url.Values{"form": {v.form(path)}, "run": {before}, "text": {"dendrites at the edge"}, "confirm": {"zinc-1"}}, name, content)
	}
	if a := send("cathode.txt", []byte("x")); a.StatusCode != http.StatusBadRequest || !strings.Contains(a.body, `value="dendrites at the edge"`) || !strings.Contains(a.body, ".jpg") {
		t.Errorf("a file that is no picture: %d %s", a.StatusCode, a.body)
	}
	if a := send("cathode.png", make([]byte, 25<<20)); a.StatusCode != http.StatusRequestEntityTooLarge || !strings.Contains(a.body, "25.2 MB") {
		t.Errorf("a picture that is too large: %d %s", a.StatusCode, a.body)
	}
	picture := []byte("\x89PNG\r\n\x1a\n invented")
	v.want("a picture", send("cathode.png", picture), http.StatusSeeOther)
	link := regexp.MustCompile(`href="(/cell/zinc-1/photos/photo-[0-9a-f]+\.png\?run=` + before + `)"`).FindStringSubmatch(v.get("/cell/zinc-1/entries?run=" + before).body)
	if link == nil {
		t.Fatal("the list of entries has no link to the photo")
	}
	if a := v.get(link[1]); a.body != string(picture) || a.Header.Get("Content-Type") != "image/png" {
		t.Errorf("the photo is %s %q", a.Header.Get("Content-Type"), a.body)
	}
	run := filepath.Join(v.bench.data, "runs", "zinc-1", before)
	for name, content := range map[string]string{"photo-1.html": "<script>", "mine.png": "not of a run"} {
		if err := os.WriteFile(filepath.Join(run, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, other := range []string{"run.toml", "photo-0.png", "photo-1.html", "mine.png", "photo-..%2Frun.toml"} {
		v.want(other, v.get("/cell/zinc-1/photos/"+other+"?run="+before), http.StatusNotFound)
	}
}

// TestGapsOfAnOlderRun: the page lists the gaps of the newest run alone; one that a run does not have is refused.
func TestGapsOfAnOlderRun(t *testing.T) {
	v := morning(t).visitor()
	v.signIn()
	for _, run := range []string{before, ended} {
		path := "/cell/zinc-1/enter?kind=settle&run=" + run
		a := v.get(path)
		v.want(path, a, http.StatusOK)
		if strings.Contains(a.body, "Gap 0, from") {
			t.Errorf("%s shows a gap: %s", run, a.body)
		}
		f := hiddenIn(a.body)
		for name, x := range map[string]string{"gap": "9", "low": "0 C", "best": "1 C", "high": "2 C"} {
			f.Set(name, x)
		}
		if a := v.patient("/cell/zinc-1/enter", f); a.StatusCode != http.StatusBadRequest || !strings.Contains(a.body, "gap 9") {
			t.Errorf("%s: %d %s", run, a.StatusCode, a.body)
		}
	}
}
