package page

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
)

// TestFilesAreCompressed: who takes gzip gets the same bytes by it, a quarter at least saved, and each form is asked after by a tag of its own.
func TestFilesAreCompressed(t *testing.T) {
	p := &Page{files: loadFiles()}
	for name, f := range p.files {
		if f.kind == "" || len(f.data) == 0 || len(f.tag) != 16 {
			t.Errorf("%s: type %q, %d bytes, tag %q", name, f.kind, len(f.data), f.tag)
		}
	}
	get := func(encoding, tag string) *http.Response {
		r := httptest.NewRequest("GET", "/static/uPlot.iife.min.js", nil)
		r.SetPathValue("file", "uPlot.iife.min.js")
		r.Header.Set("Accept-Encoding", encoding)
		r.Header.Set("If-None-Match", tag)
		w := httptest.NewRecorder()
		p.file(w, r)
		return w.Result()
	}
	bare, packed := get("", ""), get("br, gzip", "")
	want, err := io.ReadAll(bare.Body)
	if err != nil || len(want) == 0 || bare.Header.Get("Content-Encoding") != "" {
		t.Fatalf("%d bytes, %v, %v", len(want), err, bare.Header)
	}
	if packed.Header.Get("Content-Encoding") != "gzip" || packed.ContentLength > int64(len(want))*3/4 || packed.Header.Get("Vary") != "Accept-Encoding" {
		t.Errorf("%d bytes of %d, %v", packed.ContentLength, len(want), packed.Header)
	}
	z, err := gzip.NewReader(packed.Body)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := io.ReadAll(z); err != nil || string(got) != string(want) {
		t.Errorf("%d bytes come out, %v", len(got), err)
	}
	if tag := packed.Header.Get("ETag"); tag == bare.Header.Get("ETag") || get("gzip", tag).StatusCode != http.StatusNotModified {
		t.Errorf("tags %s and %s", tag, bare.Header.Get("ETag"))
	}
}
