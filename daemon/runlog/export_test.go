package runlog

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
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
