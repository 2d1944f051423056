//go:build linux

package main

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// TestSystemdIsTold listens where systemd would: ready once the watch stands, the
// watchdog fed and the page's sentence told while readings come, and starved while the supply is silent, stopping at the end.
func TestSystemdIsTold(t *testing.T) {
	dir := t.TempDir()
	notify := filepath.Join(dir, "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: notify, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	t.Setenv("NOTIFY_SOCKET", notify)

	const speed = 60
	scenario, err := simulated.ParseScenario("silence", []byte("name = \"silence\"\n[[event]]\nat = \"5 min\"\nkind = \"silence\"\nlasts = \"20 h\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	bench, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(speed), Scenario: scenario})
	if err != nil {
		t.Fatal(err)
	}
	port, err := simulated.Serve(t.Context(), bench, filepath.Join(dir, "supply"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}()
	config := filepath.Join(dir, "nightcell.toml")
	text := fmt.Sprintf("data = %q\n[page]\nlisten = \"\"\n[supply.bench]\nport = %q\n[supply.bench.dialect]\ntimeout = \"100 ms\"\n[cell.zinc-1]\nsupply = \"bench\"\npoll = \"2 s\"\n[cell.zinc-1.limits]\ncurrent = \"3.3 A\"\n",
		filepath.Join(dir, "data"), port.Path())
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, log lockedBuffer
	code := make(chan int, 1)
	go func() {
		code <- run([]string{"watch", "--config", config, "--speed", fmt.Sprint(speed)}, &shell{in: strings.NewReader(""), out: &out, err: &log})
	}()
	expect := func(want string, within time.Duration) bool {
		end := time.Now().Add(within)
		buf := make([]byte, 4096)
		for {
			if err := socket.SetReadDeadline(end); err != nil {
				t.Fatal(err)
			}
			n, err := socket.Read(buf)
			if errors.Is(err, os.ErrDeadlineExceeded) {
				return false
			}
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(string(buf[:n]), want) {
				return true
			}
		}
	}
	if !expect("READY=1", 2*time.Minute) {
		t.Fatalf("never ready\n%s", log.String())
	}
	for i := range 2 {
		if !expect("WATCHDOG=1", 2*time.Minute) {
			t.Fatalf("the watchdog was fed %d times\n%s", i, log.String())
		}
	}
	if !expect("STATUS=Zinc 1 ", 2*time.Minute) {
		t.Errorf("systemd is not reported the sentence of the page\n%s", log.String())
	}
	// Five minutes of the simulation are five seconds; then readings stop, and the food with
	// them. On a busy machine it may be late before, so that the silence must have been seen too.
	silent := func() bool { return strings.Contains(log.String(), "supply-silent") }
	for fed := 0; expect("WATCHDOG=1", 3*time.Second) || !silent(); fed++ {
		if fed > 60 {
			t.Fatalf("the watchdog is fed although the supply is silent, or its silence was not seen\n%s", log.String())
		}
	}
	if err := syscall.Kill(os.Getpid(), syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if !expect("STOPPING=1", 2*time.Minute) {
		t.Error("systemd was not notified of the stop")
	}
	if got := <-code; got != 0 {
		t.Errorf("exit code %d\n%s", got, log.String())
	}
}

// lockedBuffer is a buffer that one goroutine writes while another reads.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
