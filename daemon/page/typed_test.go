package page_test

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
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
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	_ = w.WriteField("run", before)
	_ = w.Close()
	a := v.send(http.MethodPost, path, nil, func(r *http.Request) {
		r.Body, r.ContentLength = readCloser{&b}, int64(b.Len())
		r.Header.Set("Content-Type", w.FormDataContentType())
	})
	if next := regexp.MustCompile(`name="next" value="([^"]+)"`).FindStringSubmatch(a.body); next == nil || !strings.Contains(next[1], before) {
		t.Errorf("the sign-in leads to %v", next)
	}
}
