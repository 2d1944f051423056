package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

const small = `nightcell-recording 1 2026-01-12T20:00:00Z
# a supply, invented
0.000100 1 = "/dev/ttyUSB0, 9600 8N1"
0.000200 1 > "*IDN?\n"
1.000000 1 = "/dev/ttyUSB0, 19200 8N1"
1.000100 1 > "*IDN?\n"
1.060000 1 < "EXAMPLE,PS-"
1.070000 1 < "30-5\r\n"

2.000000 2 = "tcp://192.0.2.7:5025, socket"
2.000000 2 > "*IDN?\n"
2.100000 2 < "ANOTHER\n"
3.000000 1 > "MEAS:CURR?\n"
3.060000 1 < "3.001\xb5\r\n"
4.000000 1 > "MEAS:CURR?\n"
4.060000 1 < "3.002\r\n"
5.000000 1 > "WHAT?\n"
`

// TestPlayer answers as was recorded of the first port with its last settings, in order, and then the last again.
func TestPlayer(t *testing.T) {
	r, err := Parse("small", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	p, err := r.Player()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		heard  string
		length int
		answer string
		after  time.Duration
	}{
		{"*IDN", 0, "", 0},
		{"*IDN?\nMEAS", 6, "EXAMPLE,PS-30-5\r\n", 59900 * time.Microsecond},
		{"MEAS:CURR?\n", 11, "3.001\xb5\r\n", 60 * time.Millisecond},
		{"MEAS:VOLT?\r\nMEAS", 11, "", 0},
		{"\n", 1, "", 0},
		{"MEAS:CURR?\n", 11, "3.002\r\n", 60 * time.Millisecond},
		{"MEAS:CURR?\n", 11, "3.002\r\n", 60 * time.Millisecond},
		{"WHAT?\n", 6, "", 0},
	} {
		length, pieces := p.Hear([]byte(c.heard))
		answer, after := "", time.Duration(0)
		for i, piece := range pieces {
			answer += piece.Text
			if i == 0 {
				after = piece.After
			}
		}
		if length != c.length || answer != c.answer || after != c.after {
			t.Errorf("%q: %d, %q after %v", c.heard, length, answer, after)
		}
	}
	if len(p.Unknown) != 1 || p.Unknown[0] != "MEAS:VOLT?" {
		t.Errorf("unknown %q", p.Unknown)
	}
}

// TestServe plays over a connection.
func TestServe(t *testing.T) {
	r, err := Parse("small", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	p, err := r.Player()
	if err != nil {
		t.Fatal(err)
	}
	near, far := net.Pipe()
	done := make(chan error)
	go func() { done <- p.Serve(far) }()
	for _, part := range []string{"ME", "AS:CURR?\n*IDN?\n"} {
		if _, err := io.WriteString(near, part); err != nil {
			t.Fatal(err)
		}
	}
	const want = "3.001\xb5\r\nEXAMPLE,PS-30-5\r\n"
	got := make([]byte, len(want))
	if _, err := io.ReadFull(near, got); err != nil || string(got) != want {
		t.Errorf("%q, %v", got, err)
	}
	near.Close()
	if err := <-done; !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}

// TestBadRecordings: each mistake is told with its line.
func TestBadRecordings(t *testing.T) {
	head, open := "nightcell-recording 1 2026-01-12T20:00:00Z\n", "0 1 = \"/dev/ttyUSB0, 9600 8N1\"\n"
	for text, want := range map[string]string{
		"":                                         ":1: the file is empty",
		"time,volts\n":                             ":1: this is not a recording",
		"\x7fELF\x02\x01":                          ":1: this is not a recording",
		"nightcell-recording 2 x\n":                ":1: this is a recording of form 2",
		"nightcell-recording 1 yesterday\n":        `:1: "yesterday" is not a time`,
		head + "0 1 > \"x\"\n":                     ":2: nothing was opened yet",
		head + open + "1.5 1 < \"EXAMPLE,PS":       ":3: bytes that do not end as they should",
		head + open + "1.5 1 <":                    ":3: fewer than four parts",
		head + open + "x 1 < \"a\"\n":              ":3: no time in seconds",
		head + open + "NaN 1 < \"a\"\n":            ":3: no time in seconds",
		head + open + "-1 1 < \"a\"\n":             ":3: no time in seconds",
		head + open + "1 0 < \"a\"\n":              ":3: no number of a port",
		head + open + "1 1 ! \"a\"\n":              ":3: none of = > <",
		head + open + "1 1 < a\n":                  ":3: no bytes in quotation marks",
		head + open + "2 1 < \"a\"\n1 1 < \"a\"\n": ":4: the time runs back to 1.000000 s",
		head + open + strings.Repeat("x", 1<<17):   ":3: the line cannot be read",
	} {
		if _, err := Parse("a.rec", []byte(text)); err == nil || !strings.HasPrefix(err.Error(), "a.rec"+want) {
			t.Errorf("%.60q: %v", text, err)
		}
	}
	r, err := Parse("a.rec", []byte(head+open))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Player(); err == nil || !strings.Contains(err.Error(), "nothing was asked") {
		t.Error(err)
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}

// written is a recording as a Recorder writes it.
func written(r *Recording) []byte {
	b := []byte(head(r.Begun))
	for _, e := range r.Events {
		b = e.append(b)
	}
	return b
}

// FuzzRecording: whatever can be read is written and read again as the same.
func FuzzRecording(f *testing.F) {
	f.Add([]byte(small))
	f.Add([]byte("nightcell-recording 1 2026-01-12T20:00:00.5+01:00\n1e3 7 = \"\\u00b5\\\"\"\n999999999.999999 7 > \"\"\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Parse("fuzz", data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "fuzz:") || strings.Contains(err.Error(), "\n") {
				t.Errorf("%q", err)
			}
			return
		}
		text := written(r)
		again, err := Parse("again", text)
		if err != nil {
			t.Fatalf("%v in\n%s", err, text)
		}
		if !bytes.Equal(written(again), text) || len(again.Events) != len(r.Events) {
			t.Errorf("not the same again:\n%s\n%s", text, written(again))
		}
		for i, e := range r.Events {
			if again.Events[i] != e {
				t.Errorf("%+v became %+v", e, again.Events[i])
			}
		}
		if p, err := r.Player(); err == nil {
			for _, e := range r.Events {
				p.Hear([]byte(e.Text))
			}
		}
	})
}

// TestRecorder: what goes over two lines is read back byte by byte from a file of the user alone, and nothing is overwritten.
func TestRecorder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.rec")
	r, err := Create(path, func(err error) { t.Error(err) })
	if err != nil {
		t.Fatal(err)
	}
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	a, b := r.Open("one", "9600 8N1"), r.Open("two", "socket")
	a.Note(Sent, all)
	b.Note(Received, []byte("x"))
	r.Open("one", "9600 8N1").Note(Received, all)
	r.Close()
	a.Note(Sent, []byte("after the end"))
	if !r.Close() {
		t.Error("the recording is not whole")
	}
	got, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, e := range got.Events {
		said = append(said, fmt.Sprintf("%d%c%d", e.Port, e.Kind, len(e.Text)))
	}
	if s := strings.Join(said, " "); s != "1=13 2=11 1>256 2<1 1=13 1<256" || got.Events[2].Text != string(all) {
		t.Error(s)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 && runtime.GOOS != "windows" {
		t.Error(info.Mode(), err)
	}
	if _, err := Create(path, nil); err == nil || !strings.Contains(err.Error(), "not overwritten") {
		t.Error(err)
	}
	var none *Recorder
	none.Open("one", "").Note(Sent, all) // records nothing, and does not fall over
	none.Close()
}

// disk is a file on a disk that is full, or that hangs until it is let go.
type disk struct {
	err  error
	hang chan struct{}
}

func (d disk) Write(b []byte) (int, error) {
	if d.hang != nil {
		<-d.hang
	}
	return len(b), d.err
}

func (d disk) Close() error { return nil }

// TestBadDisk: a disk that is full or hangs ends the recording with one word, and never keeps whoever notes.
func TestBadDisk(t *testing.T) {
	full := errors.New("no space left on device")
	for name, hang := range map[string]bool{"full": false, "hanging": true} {
		synctest.Test(t, func(t *testing.T) {
			d, times := disk{err: full}, 1
			if hang {
				d, times = disk{hang: make(chan struct{})}, 2*behind
			}
			var told []error
			r := newRecorder(d, func(err error) { told = append(told, err) })
			p := r.Open("one", "")
			for range times {
				p.Note(Sent, []byte("MEAS:CURR?\n"))
			}
			synctest.Wait()
			if hang {
				close(d.hang)
			}
			if r.Close() {
				t.Errorf("%s: the recording is called whole", name)
			}
			if len(told) != 1 || !strings.Contains(told[0].Error(), "the recording ends here") || !hang && !errors.Is(told[0], full) {
				t.Errorf("%s: %v", name, told)
			}
		})
	}
}

// BenchmarkNote is what recording costs whoever reads the line.
func BenchmarkNote(b *testing.B) {
	r := newRecorder(disk{}, nil)
	defer r.Close()
	p, answer := r.Open("one", ""), []byte("3.2140;3.0010\r\n")
	for n := 0; b.Loop(); n++ {
		if p.Note(Received, answer); n%1000 == 0 {
			b.StopTimer()
			for len(r.events) > 0 { // no line is so quick
				runtime.Gosched()
			}
			b.StartTimer()
		}
	}
	if r.over.Load() {
		b.Error("the recording has ended")
	}
}
