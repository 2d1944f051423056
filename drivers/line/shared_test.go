//go:build unix

package line

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/drivers"
)

// openRaw opens a port as a program does that knows nothing of locks.
func openRaw(path string) (int, error) {
	return unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
}

// steal takes whatever it can get from a port until stop is closed, and then closes ended.
func steal(fd int, stop <-chan struct{}) (ended chan struct{}) {
	ended = make(chan struct{})
	go func() {
		defer close(ended)
		b := make([]byte, 256)
		for {
			select {
			case <-stop:
				return
			default:
				_, _ = unix.Read(fd, b) // never blocks; what it gets is what the line loses
			}
		}
	}()
	return ended
}

// takeVariable makes the test binary take the bytes of a port, say so, and go on until its input ends.
const takeVariable = "LINE_TEST_TAKE"

func take(path string) int {
	fd, err := openRaw(path)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	stop := make(chan struct{})
	ended := steal(fd, stop)
	fmt.Println("taking")
	_, _ = bufio.NewReader(os.Stdin).ReadString('\n') // its end is what is waited for
	close(stop)
	<-ended
	return 0
}

// TestAnotherReader lets another reader take bytes from the port for a while, again and
// again: answers are missed, no call lasts, and once the reader has gone the line answers as before.
func TestAnotherReader(t *testing.T) {
	far, path := openPTY(t)
	thief, err := openRaw(path) // before the line: exclusive mode stops neither this nor root
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(thief)
	l := mustOpen(t, Settings{Address: path, Baud: 4_000_000})
	answering(t, far, func(string) string { return "3.214,2.998\n" })
	missed := 0
	for range 20 {
		stop := make(chan struct{})
		ended := steal(thief, stop)
		for range 40 {
			_, _, _, err := l.Exchange(t.Context(), []byte("MEAS?"), nil, 20*time.Millisecond)
			if err == nil {
				continue
			}
			missed++
			if errors.Is(err, drivers.ErrGone) {
				close(stop)
				t.Fatalf("the line was lost: %v", err)
			}
		}
		close(stop)
		<-ended
		l.Drain(20 * time.Millisecond)
		if got, _, _, err := l.Exchange(t.Context(), []byte("MEAS?"), nil, soon); err != nil || string(got) != "3.214,2.998" {
			t.Fatalf("once the other reader has gone: %q, %v", got, err)
		}
	}
	if missed == 0 {
		t.Error("nothing was stolen, so nothing was tried")
	}
}

// TestOtherReaderIsNamed starts another process that takes the answers. The error names it,
// and once it has gone nobody is named any more.
func TestOtherReaderIsNamed(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux tells who has a port")
	}
	_, path := openPTY(t)
	other := exec.Command(os.Args[0])
	other.Env = append(os.Environ(), takeVariable+"="+path)
	in, err := other.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := other.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	if said, err := bufio.NewReader(out).ReadString('\n'); err != nil || said != "taking\n" {
		t.Fatalf("the other process said %q, %v", said, err)
	}
	l := mustOpen(t, Settings{Address: path})
	ask := func() (shared *drivers.Shared) {
		_, _, _, err := l.Exchange(t.Context(), []byte("MEAS?"), nil, time.Millisecond)
		var incomplete *Incomplete
		if !errors.As(err, &incomplete) {
			t.Errorf("error %v, want that no answer came", err)
		}
		errors.As(err, &shared)
		return shared
	}
	if got := ask(); got == nil || !strings.Contains(got.By, strconv.Itoa(other.Process.Pid)) {
		t.Errorf("%v is named, want process %d", got, other.Process.Pid)
	}
	in.Close()
	if err := other.Wait(); err != nil {
		t.Errorf("the other process: %v", err)
	}
	if got := ask(); got != nil {
		t.Errorf("%v is named, and nobody is there", got)
	}
	visitor, err := openRaw(path) // as root; else exclusive mode keeps it out
	if err != nil {
		t.Skipf("exclusive mode keeps this user out: %v", err)
	}
	unix.Close(visitor)
	if got := ask(); got == nil || got.By != unnamed {
		t.Errorf("%v is named for a visit that is over; want %q", got, unnamed)
	}
}

// TestChangedSettings lets another process change the rate of the port: the line is given
// up at once, with the reason, and opening it anew sets the rate right.
func TestChangedSettings(t *testing.T) {
	far, path := openPTY(t)
	other, err := openRaw(path)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(other)
	l := mustOpen(t, Settings{Address: path, Baud: 9600})
	answering(t, far, func(string) string { return "here\n" })
	before, err := unix.IoctlGetTermios(other, getTermios)
	if err != nil {
		t.Fatal(err)
	}
	changed := *before
	changed.Lflag |= unix.ICANON | unix.ECHO
	changed.Cflag |= unix.CSTOPB
	if err := unix.IoctlSetTermios(other, setTermios, &changed); err != nil {
		t.Fatal(err)
	}
	_, _, _, err = l.Exchange(t.Context(), []byte("who?"), nil, soon)
	if !errors.Is(err, drivers.ErrGone) || !errors.Is(err, errMeddled) {
		t.Errorf("error %v, want that the settings were changed", err)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	l = mustOpen(t, Settings{Address: path, Baud: 9600})
	if got, _, _, err := l.Exchange(t.Context(), []byte("who?"), nil, soon); err != nil || string(got) != "here" {
		t.Errorf("opened anew: %q, %v", got, err)
	}
}

// TestForsakenPortCanBeOpenedAnew leaves a line behind whose owner the system does not let
// go: the port can be taken up anew all the same, and the owner, should it come back, does nothing more.
func TestForsakenPortCanBeOpenedAnew(t *testing.T) {
	far, path := openPTY(t)
	p, err := openSerial(Settings{Address: path}.withDefaults())
	if err != nil {
		t.Fatal(err)
	}
	stuck := &heldUp{port: p, freed: make(chan struct{})}
	l := newLine(Settings{Address: path, CloseLimit: 100 * time.Millisecond}.withDefaults(), stuck)
	if err := l.Close(); err == nil || !strings.Contains(err.Error(), "has not let go") {
		t.Errorf("close: %v", err)
	}
	again := mustOpen(t, Settings{Address: path})
	answering(t, far, func(string) string { return "here\n" })
	if got, _, _, err := again.Exchange(t.Context(), []byte("who?"), nil, soon); err != nil || string(got) != "here" {
		t.Errorf("opened anew: %q, %v", got, err)
	}
	if err := p.write([]byte("OUTP ON\n"), soon); !errors.Is(err, errForsaken) {
		t.Errorf("a late write of the owner before: %v", err)
	}
	close(stuck.freed)
	<-l.ended
}

// heldUp is a port whose close waits until it is freed, whatever is done about it.
type heldUp struct {
	port
	freed chan struct{}
}

func (h *heldUp) close() error {
	<-h.freed
	return h.port.close()
}

// TestStuckOpening leaves an opening behind that the system does not end, and gives the port back when it ends after all.
func TestStuckOpening(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	begun, goOn, closed := make(chan struct{}), make(chan struct{}), make(chan struct{})
	go func() {
		<-begun
		cancel()
	}()
	_, err := openWithin(ctx, func() (port, error) {
		close(begun)
		<-goOn
		return &noted{closed: closed}, nil
	})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "does not open the port") {
		t.Errorf("error %v", err)
	}
	close(goOn)
	<-closed
}

// noted is a port that tells when it is closed.
type noted struct {
	port
	closed chan struct{}
}

func (n *noted) close() error {
	close(n.closed)
	return nil
}
