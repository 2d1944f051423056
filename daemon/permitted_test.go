//go:build unix

package daemon

import (
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
)

// rackOf opens supplies for a configuration and keeps every byte that is sent to them. At the end of the test each message must be a query,
// choose a channel, or be permitted: off where a cell may be switched off, a current where one may be held or stepped down.
func rackOf(t *testing.T, cfg *configs.Config) *scpi.Rack {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bytes.txt")
	r, err := recording.Create(path, func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.Close()
		heard, err := recording.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		var off, lower bool
		for i := range cfg.Cells {
			may := cfg.Cells[i].May
			off, lower = off || may.Off, lower || may.Hold || may.Step
		}
		sent := 0
		for _, e := range heard.Events {
			if e.Kind != recording.Sent {
				continue
			}
			for _, message := range strings.FieldsFunc(e.Text, func(r rune) bool { return r == '\n' || r == ';' }) {
				sent++
				switch {
				case strings.Contains(message, "?"), strings.HasPrefix(message, "INST"):
				case strings.HasPrefix(message, "OUTP OFF") && off, strings.HasPrefix(message, "CURR ") && lower:
				default:
					t.Errorf("%q was sent; off is permitted: %v, to lower the current: %v", message, off, lower)
				}
			}
		}
		if sent == 0 {
			t.Error("nothing was sent")
		}
	})
	return &scpi.Rack{Record: r}
}
