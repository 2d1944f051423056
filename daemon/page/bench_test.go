package page_test

import (
	"fmt"
	"log/slog"
	"net/http/httptest"
	"testing"
	"time"

	"nightcell/daemon/history"
	"nightcell/daemon/page"
	"nightcell/daemon/snapshot"
)

// BenchmarkNight makes the page of 200 cells.
func BenchmarkNight(b *testing.B) { benchmark(b, "/") }

// BenchmarkCell makes the page of one of 200 cells.
func BenchmarkCell(b *testing.B) { benchmark(b, "/cell/zinc-7") }

func benchmark(b *testing.B, path string) {
	var cells []*snapshot.Cell
	for i := range 200 {
		cells = append(cells, zinc(fmt.Sprintf("zinc-%d", i+1)))
	}
	p, err := page.New(page.Settings{
		Cells: func() []*snapshot.Cell { return cells }, Now: func() time.Time { return time.Now().UTC() }, Zone: time.UTC,
		History: history.New(b.TempDir(), []string{"zinc-7"}, nil), Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		b.Fatal(err)
	}
	h := p.Handler()
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		if w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
}
