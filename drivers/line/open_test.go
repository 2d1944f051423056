//go:build unix

package line

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"go.uber.org/goleak"
	"golang.org/x/sys/unix"

	"nightcell/drivers"
)

// holdVariable makes the test binary open a line, say so, and hold it until its input ends.
const holdVariable = "LINE_TEST_HOLD"

func TestMain(m *testing.M) {
	if path := os.Getenv(takeVariable); path != "" {
		os.Exit(take(path))
	}
	if address := os.Getenv(holdVariable); address != "" {
		os.Exit(hold(address))
	}
	goleak.VerifyTestMain(m)
}

func hold(address string) int {
	l, err := Open(context.Background(), Settings{Address: address, LockDir: os.Getenv("LINE_TEST_LOCKS")})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println("held")
	_, _ = bufio.NewReader(os.Stdin).ReadString('\n') // its end is what is waited for
	if err := l.Close(); err != nil {
		fmt.Println(err)
		return 1
	}
	return 0
}

// Two daemons must not share a supply: the second is refused, and told who has it.
func TestTwoProcesses(t *testing.T) {
	_, path := openPTY(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ theirs, ours string }{
		"serial":           {path, path},
		"serial by a link": {path, link},
		"tcp":              {"tcp://" + ln.Addr().String(), "tcp://" + ln.Addr().String()},
	} {
		t.Run(name, func(t *testing.T) {
			locks := t.TempDir()
			other := exec.Command(os.Args[0])
			other.Env = append(os.Environ(), holdVariable+"="+c.theirs, "LINE_TEST_LOCKS="+locks)
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
			said, err := bufio.NewReader(out).ReadString('\n')
			if err != nil || said != "held\n" {
				t.Fatalf("the other process said %q, %v", said, err)
			}
			s := Settings{Address: c.ours, LockDir: locks}
			l, err := Open(t.Context(), s)
			if err == nil {
				l.Close()
				t.Fatal("the line was opened a second time")
			}
			var held *HeldError
			if !errors.As(err, &held) || held.Holder.PID != other.Process.Pid || !strings.Contains(err.Error(), strconv.Itoa(other.Process.Pid)) ||
				!strings.Contains(err.Error(), held.Holder.Name) {
				t.Errorf("error %v, want one that names process %d", err, other.Process.Pid)
			}
			in.Close()
			if err := other.Wait(); err != nil {
				t.Errorf("the other process: %v", err)
			}
			mustOpen(t, s)
		})
	}
}

// One process opening a supply twice is told that it has it itself.
func TestTwiceInOneProcess(t *testing.T) {
	_, path := openPTY(t)
	mustOpen(t, Settings{Address: path})
	_, err := Open(t.Context(), Settings{Address: path})
	var held *HeldError
	if !errors.As(err, &held) || held.Holder.PID != os.Getpid() || !strings.Contains(err.Error(), "this process") {
		t.Errorf("error %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	message := filepath.Join(dir, "supply") // a stable name
	if err := errors.Join(os.WriteFile(filepath.Join(dir, "usbtmc0"), nil, 0o600), os.Symlink("usbtmc0", message)); err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := "tcp://" + ln.Addr().String()
	ln.Close()
	for _, c := range []struct {
		s    Settings
		want string // part of the way out
	}{
		{Settings{}, "nightcell ports"},
		{Settings{Address: "gpib://5"}, "tcp://host:port"},
		{Settings{Address: filepath.Join(dir, "missing")}, "nightcell ports"},
		{Settings{Address: plain}, "not a serial port"},
		{Settings{Address: dir}, "is a directory"},
		{Settings{Address: "/dev/null"}, "not a serial port"},
		{Settings{Address: "rfc2217://192.0.2.7", LockDir: dir}, "rfc2217://host:port"},
		{Settings{Address: message}, "the kernel's usbtmc driver"},
		{Settings{Address: "tcp://192.0.2.7", LockDir: dir}, "tcp://host:port"},
		{Settings{Address: nobody, LockDir: dir}, "check that the supply is on"},
		{Settings{Address: nobody, LockDir: filepath.Join(dir, "none")}, "must exist and be writable"},
	} {
		l, err := Open(t.Context(), c.s)
		if err == nil {
			l.Close()
			t.Errorf("%+v was opened", c.s)
			continue
		}
		if !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), strconv.Quote(c.s.Address)) {
			t.Errorf("%+v: %q does not say %q and which line", c.s, err, c.want)
		}
		if errors.Is(err, drivers.ErrGone) {
			t.Errorf("%v wraps ErrGone, but there was no line", err)
		}
	}
}

// openFiles counts this process's descriptors.
func openFiles(t *testing.T) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("no /proc here")
	}
	return len(list)
}

// Opening, failing, breaking and closing leave no descriptor behind.
func TestNoDescriptorLeaks(t *testing.T) {
	_, path := openPTY(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	locks := t.TempDir()
	once := func() {
		for _, address := range []string{path, "tcp://" + ln.Addr().String()} {
			l, err := Open(t.Context(), Settings{Address: address, LockDir: locks})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := Open(t.Context(), Settings{Address: address, LockDir: locks}); err == nil {
				t.Fatal("opened twice")
			}
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
		}
		c, err := ln.Accept()
		if err != nil {
			t.Fatal(err)
		}
		c.Close()
		if _, err := Open(t.Context(), Settings{Address: "/dev/null"}); err == nil {
			t.Fatal("/dev/null is a serial port here")
		}
		far, gone := openPTY(t)
		l, err := Open(t.Context(), Settings{Address: gone})
		if err != nil {
			t.Fatal(err)
		}
		far.Close()
		if _, err := l.Next(t.Context(), nil, soon); !errors.Is(err, drivers.ErrGone) {
			t.Fatalf("after the far end went: %v", err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	once()
	before := openFiles(t)
	for range 20 {
		once()
	}
	if after := openFiles(t); after > before {
		t.Errorf("%d descriptors before, %d after", before, after)
	}
}

// Descriptors of 1024 and above cannot be waited for with select(2); the line works with them all the same.
func TestHighDescriptors(t *testing.T) {
	far, path := openPTY(t)
	for {
		f, err := os.Open("/dev/null")
		if err != nil {
			t.Skipf("this process may not open that many files: %v", err)
		}
		defer f.Close()
		if f.Fd() >= 1024 {
			break
		}
	}
	l := mustOpen(t, Settings{Address: path})
	answering(t, far, func(string) string { return "here\n" })
	if got, _, _, err := l.Exchange(t.Context(), []byte("who?"), nil, soon); err != nil || string(got) != "here" {
		t.Errorf("%q, %v", got, err)
	}
}

// A child process must not inherit the port: it would keep it after the adapter was
// unplugged. The library leaves its descriptor open to children.
func TestChildInheritsNothing(t *testing.T) {
	_, path := openPTY(t)
	mustOpen(t, Settings{Address: path})
	out, err := exec.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
	if err != nil {
		t.Skipf("cannot look: %v", err)
	}
	if strings.Contains(string(out), path) {
		t.Errorf("a child has the port:\n%s", out)
	}
}

// TestAChildDoesNotKeepTheLock: a child that has been forked and does not run its program yet has every descriptor of this process.
func TestAChildDoesNotKeepTheLock(t *testing.T) {
	t.Parallel()
	_, path := openPTY(t)
	l, err := Open(t.Context(), Settings{Address: path})
	if err != nil {
		t.Fatal(err)
	}
	child, err := unix.FcntlInt(uintptr(l.port.(*device).fd), unix.F_DUPFD_CLOEXEC, 0) // shares the lock as a child does
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(child)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	mustOpen(t, Settings{Address: path})
}
