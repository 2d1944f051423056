package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

// file is one embedded file. Only those in the table can be asked for; there is no directory to list.
type file struct {
	data, packed []byte // packed by gzip
	kind, tag    string
}

var kinds = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png", ".webmanifest": "application/manifest+json", ".LICENSE": "text/plain; charset=utf-8",
}

func loadFiles() (map[string]file, error) {
	all := make(map[string]file)
	entries, err := fs.ReadDir(static, "static")
	if err != nil {
		return nil, fmt.Errorf("the page's files: %w", err)
	}
	for _, e := range entries {
		data, err := static.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("the page's files: %w", err)
		}
		kind, ok := kinds[path.Ext(e.Name())]
		if !ok {
			return nil, fmt.Errorf("the page's file %s has an unknown type", e.Name())
		}
		sum := sha256.Sum256(data)
		packed, err := pack(data)
		if err != nil {
			return nil, fmt.Errorf("compressing the page's file %s: %w", e.Name(), err)
		}
		all[e.Name()] = file{data, packed, kind, hex.EncodeToString(sum[:8])}
	}
	return all, nil
}

func (p *Page) file(w http.ResponseWriter, r *http.Request) error {
	f, ok := p.files[r.PathValue("file")]
	if !ok {
		return refusal(http.StatusNotFound, "there is no such file")
	}
	w.Header().Set("Content-Type", f.kind)
	w.Header().Set("Cache-Control", "no-cache") // kept, and asked after: a new version shows at once
	w.Header().Set("Vary", "Accept-Encoding")
	data, form := f.data, ""
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.Header().Set("Content-Encoding", "gzip")
		data, form = f.packed, "-gzip"
	}
	w.Header().Set("ETag", `"`+f.tag+form+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
	return nil
}

// pack compresses a file once, when the daemon starts.
func pack(data []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err == nil {
		_, err = z.Write(data)
	}
	if err == nil {
		err = z.Close()
	}
	return b.Bytes(), err
}
