package page

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
)

// TestTheChecklistCopiesNoFileOfTheHost: a form can name any item, and that of the photo takes the path of a file.
func TestTheChecklistCopiesNoFileOfTheHost(t *testing.T) {
	run := filepath.Join("..", "..", "testdata", "accounts", "runs", "zinc-1", "20260112T200000Z")
	a := &asking{run: place{dir: run}, who: "ann", subject: "photo", form: url.Values{"file": {"/etc/hostname"}}}
	if _, e, err := new(Page).answer(a); err == nil || !strings.Contains(err.Error(), "use its own form") {
		t.Errorf("%+v, %v", e, err)
	}
}
