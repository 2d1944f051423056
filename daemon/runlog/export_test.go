package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/drivers/lock"
)

// failing fails after so many writes.
type failing struct{ left int }

func (f *failing) Write(b []byte) (int, error) {
	if f.left--; f.left < 0 {
		return 0, errBad
	}
	return len(b), nil
}

var errBad = errors.New("the disk fails")

// TestExportOfAFailingDisk: what was read before a log fails is exported to the last row, and the error is told; so is one of what is
// written, once.
func TestExportOfAFailingDisk(t *testing.T) {
	l := exampleNight(t)
	for name, export := range map[string]func(string, io.Writer, io.Writer) (*Report, error){
		"readings": ExportReadings, "events": ExportEvents,
		"lines": func(run string, to, seen io.Writer) (*Report, error) { return ExportLines(run, to, seen) },
	} {
		var whole, part bytes.Buffer
		if _, err := export(l.w.Run(), &whole, nil); err != nil {
			t.Fatal(err)
		}
		_, err := export(l.w.Run(), &part, &failing{1})
		if n := strings.Count(part.String(), "\n"); !errors.Is(err, errBad) || n < 2 || !strings.HasPrefix(whole.String(), part.String()) || !strings.HasSuffix(part.String(), "\n") {
			t.Errorf("%s: %d lines of a log that fails, %v", name, n, err)
		}
		if _, err := export(l.w.Run(), new(failing), nil); !errors.Is(err, errBad) || strings.Count(err.Error(), errBad.Error()) != 1 {
			t.Errorf("%s: a full disk tells %v", name, err)
		}
	}
}

// TestRemedies: a file that may not be opened is not taken for one that is not there, nor for one that another is writing.
func TestRemedies(t *testing.T) {
	for cause, want := range map[error]string{fs.ErrNotExist: isRun, fs.ErrPermission: "do it as the user who runs nightcell"} {
		if got := Remedy(fmt.Errorf("opening: %w", cause), isRun); got != want {
			t.Errorf("%v: %s, want %s", cause, got, want)
		}
	}
	dir := t.TempDir()
	if _, err := Open(dir); err == nil || !strings.HasSuffix(err.Error(), isRun) {
		t.Error(err)
	}
	if _, err := locked(filepath.Join(dir, "nowhere", "late.lock"), 0, nil); err == nil || !strings.HasSuffix(err.Error(), "see that the folder is there and takes a file") {
		t.Error(err)
	}
	held, err := lock.Take(filepath.Join(dir, "late.lock"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := locked(filepath.Join(dir, "late.lock"), 0, nil); err == nil || !strings.Contains(err.Error(), "another entry is being written") {
		t.Error(err)
	}
	if err := held.Release(); err != nil {
		t.Error(err)
	}
}
