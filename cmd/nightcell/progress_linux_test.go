package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"nightcell/daemon/backup"
	"nightcell/daemon/books"
	"nightcell/daemon/runlog"
)

// TestProgressOnATerminal imports a table out of a pipe that goes on until the terminal shows progress, and then ends. Standard
// output has the result alone, and the terminal nothing any more.
func TestProgressOnATerminal(t *testing.T) {
	for _, noColor := range []string{"", "1"} {
		dir := t.TempDir()
		table := filepath.Join(dir, "night.csv")
		if err := syscall.Mkfifo(table, 0o600); err != nil {
			t.Fatal(err)
		}
		ours, theirs, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("nightcell", "import", table, "--cell", "zinc-1", "--data", filepath.Join(dir, "data"))
		cmd.Env = append(os.Environ(), "NO_COLOR="+noColor)
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, theirs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		theirs.Close()
		to, err := os.OpenFile(table, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(to, "time,voltage_V,current_A\n2026-01-10T20:00:00Z,3.3,2\n2026-01-10T20:01:00Z,3.3,2\n"); err != nil {
			t.Fatal(err)
		}
		enough, written := make(chan struct{}), make(chan error, 1)
		go func() { // ends with enough: what is read on is what draws
			for {
				select {
				case <-enough:
					written <- to.Close()
					return
				default:
					_, _ = io.WriteString(to, "# a line that holds no reading\n")
				}
			}
		}()
		var shown []byte
		buf := make([]byte, 1<<10)
		for !bytes.Contains(shown, []byte("\rimporting night.csv: ")) {
			n, err := ours.Read(buf)
			if err != nil {
				t.Fatalf("%v after %q", err, shown)
			}
			shown = append(shown, buf[:n]...)
		}
		close(enough)
		if err := <-written; err != nil {
			t.Fatal(err)
		}
		rest, _ := io.ReadAll(ours) // ends with EIO once nobody holds the other end
		shown = append(shown, rest...)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("%v\n%s", err, shown)
		}
		lines := strings.Split(strings.TrimSuffix(string(shown), "\r"), "\r")
		if last := lines[len(lines)-1]; strings.TrimSpace(last) != "" || len(last) < len("importing night.csv: 0.0 MB") {
			t.Errorf("the terminal is left with %q", shown)
		}
		if bytes.ContainsRune(shown, '\x1b') {
			t.Errorf("an escape in %q", shown)
		}
		if !strings.HasPrefix(out.String(), "2 readings imported") || strings.ContainsAny(out.String(), "\r") || strings.Contains(out.String(), "importing") {
			t.Errorf("standard output: %q", out.String())
		}
		ours.Close()
	}
}

// TestNoProgressElsewhere: neither into a pipe, nor on a terminal that standard output goes to as well.
func TestNoProgressElsewhere(t *testing.T) {
	ours, theirs, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer ours.Close()
	defer theirs.Close()
	for _, c := range []struct {
		err, beside io.Writer
		want        bool
	}{{theirs, nil, true}, {theirs, &bytes.Buffer{}, true}, {theirs, theirs, false}, {&bytes.Buffer{}, nil, false}, {&bytes.Buffer{}, theirs, false}} {
		p := (&shell{err: c.err}).progress(c.beside, "reading")
		if (p.to != nil) != c.want {
			t.Errorf("%T beside %T: progress is drawn: %t", c.err, c.beside, !c.want)
		}
		p.end()
	}
}

func TestProgressLine(t *testing.T) {
	for _, c := range []struct {
		read, total int64
		since       time.Duration
		want        string
	}{
		{0, 4e6, time.Second, "reading: 0.0 MB"},
		{1e6, 4e6, 2 * time.Second, "reading: 25 %, 6s left"},
		{4e6, 4e6, 8 * time.Second, "reading: 100 %, 0s left"},
		{5e6, 4e6, 8 * time.Second, "reading: 5.0 MB"}, // it grew
		{5.25e6, 0, time.Second, "reading: 5.2 MB"},
	} {
		p := &progress{what: "reading", total: c.total, read: c.read}
		if got := p.line(c.since); got != c.want {
			t.Errorf("%d of %d: %q, want %q", c.read, c.total, got, c.want)
		}
	}
}

// TestProgressSeesEveryByte of the log, whatever is done with it.
func TestProgressSeesEveryByte(t *testing.T) {
	const data = "../../testdata/formats/1/data"
	runs, err := filepath.Glob(data + "/runs/zinc-1/*")
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	info, err := os.Stat(filepath.Join(runs[0], runlog.LogName))
	if err != nil {
		t.Fatal(err)
	}
	var copied int64
	for what, do := range map[string]func(io.Writer) error{
		"verify":   func(w io.Writer) error { _, err := runlog.ReplayEach(runs[0], nil, w); return err },
		"readings": func(w io.Writer) error { _, err := runlog.ExportReadings(runs[0], io.Discard, w); return err },
		"events":   func(w io.Writer) error { _, err := runlog.ExportEvents(runs[0], io.Discard, w); return err },
		"lines":    func(w io.Writer) error { _, err := runlog.ExportLines(runs[0], io.Discard, w); return err },
		"account":  func(w io.Writer) error { _, err := books.Read(runs[0], w); return err },
		"backup": func(w io.Writer) error {
			done, err := backup.Copy(data, filepath.Join(t.TempDir(), "copy"), w)
			if err == nil {
				copied = done.Bytes
			}
			return err
		},
	} {
		var p progress
		if err := do(&p); err != nil {
			t.Fatal(what, err)
		}
		if got, want := p.read, info.Size()+copied; got != want {
			t.Errorf("%s: %d bytes are seen of %d", what, got, want)
		}
		copied = 0
	}
}
