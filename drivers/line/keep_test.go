//go:build unix

package line

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/drivers/recording"
)

// TestKeep: a port that was opened with other settings has its own again afterwards, and what is no port is left alone.
func TestKeep(t *testing.T) {
	_, path := openPTY(t)
	settings := func() unix.Termios {
		t.Helper()
		f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		s, err := unix.IoctlGetTermios(int(f.Fd()), getTermios)
		if err != nil {
			t.Fatal(err)
		}
		return *s
	}
	before := settings()
	giveBack := Keep(path)
	for _, baud := range []int{2400, 57600} {
		l, err := Open(t.Context(), Settings{Address: path, Baud: baud})
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if settings() == before {
		t.Fatal("the settings were never changed")
	}
	if err := giveBack(); err != nil || settings() != before {
		t.Errorf("%v, %+v became %+v", err, before, settings())
	}
	for _, none := range []string{filepath.Join(t.TempDir(), "none"), os.DevNull} {
		if err := Keep(none)(); err != nil {
			t.Error(none, err)
		}
	}
}

// TestRecord: a recording has what a line sent and what came, each answer behind its message.
func TestRecord(t *testing.T) {
	far, path := openPTY(t)
	file := filepath.Join(t.TempDir(), "a.rec")
	record, err := recording.Create(file, func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	l := mustOpen(t, Settings{Address: path, Parity: "even", Record: record})
	answering(t, far, func(q string) string { return "answer to " + q + "\r\n" })
	for _, q := range []string{"one", "two"} {
		if _, _, _, err := l.Exchange(t.Context(), []byte(q), nil, 10*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	record.Close()
	r, err := recording.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	for _, e := range r.Events {
		said.WriteString(string(e.Kind) + e.Text)
	}
	// An answer may have come in pieces.
	if all, want := strings.ReplaceAll(said.String(), "<", ""), "="+path+", 9600 8E1>one\nanswer to one\r\n>two\nanswer to two\r\n"; all != want {
		t.Errorf("%q, want %q", all, want)
	}
}
