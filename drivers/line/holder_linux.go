package line

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/drivers"
)

// holders lists the processes that hold a file, those with a lock on it first. Who has the master of
// a pseudo-terminal is the instrument at its far end, and no other reader.
// Processes of other users show only by their locks, unless root asks.
func holders(path string) []Holder { return holdersIn("/proc", path) }

func holdersIn(proc, path string) []Holder {
	target, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	links, err := filepath.Glob(filepath.Join(proc, "[0-9]*", "fd", "*"))
	if err != nil {
		return nil
	}
	pseudo := strings.HasPrefix(target, "/dev/pts/")
	masters := map[int]bool{}
	var have []int
	for _, l := range links {
		got, err := os.Readlink(l)
		if err != nil || got != target && !pseudo {
			continue
		}
		pid, err := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(l))))
		switch {
		case err != nil:
		case got == target:
			have = append(have, pid)
		case filepath.Base(got) == "ptmx":
			masters[pid] = true
		}
	}
	pids := lockers(proc, target)
	for _, pid := range have {
		if !masters[pid] || pid == os.Getpid() {
			pids = append(pids, pid)
		}
	}
	var found []Holder
	for i, pid := range pids {
		if pid > 0 && !slices.Contains(pids[:i], pid) {
			found = append(found, Holder{PID: pid, Name: processName(proc, pid)})
		}
	}
	return found
}

// lockers reads /proc/locks: "1: FLOCK  ADVISORY  WRITE 1234 00:17:5 0 EOF", where
// the place is the file system's major and minor number in hexadecimal and the inode.
func lockers(proc, path string) []int {
	fi, err := os.Stat(path)
	if err != nil {
		return nil
	}
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	dev := uint64(st.Dev)
	place := fmt.Sprintf("%02x:%02x:%d", unix.Major(dev), unix.Minor(dev), st.Ino)
	locks, err := os.ReadFile(filepath.Join(proc, "locks"))
	if err != nil {
		return nil
	}
	var pids []int
	for text := range strings.Lines(string(locks)) {
		if w := strings.Fields(text); len(w) >= 6 && w[1] == "FLOCK" && w[5] == place {
			if pid, err := strconv.Atoi(w[4]); err == nil {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}

func processName(proc string, pid int) string {
	b, err := os.ReadFile(filepath.Join(proc, strconv.Itoa(pid), "comm"))
	if err != nil {
		return "a process"
	}
	// A process chooses its name, and may put line ends and control codes into it.
	return strings.TrimSpace(drivers.Plain(string(b)))
}

// unnamed stands for a process that this user may not see.
const unnamed = "a process that the system does not name"

// visits remembers who opens a device: who asks only when an answer is missing comes
// too late for a process that took it and left. The zero visits sees nobody come, and still knows who is there.
type visits struct {
	fd     int       // of the kernel's notices; 0: none
	seen   bool      // since the last tell, somebody came
	names  string    // who, where the system told
	looked time.Time // when it was asked last
}

// watchVisits begins to look out. Where the kernel does not tell, visits are found less surely.
func watchVisits(path string) visits {
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		return visits{}
	}
	if _, err := unix.InotifyAddWatch(fd, path, unix.IN_OPEN); err != nil {
		_ = unix.Close(fd) // nothing was asked of it
		return visits{}
	}
	return visits{fd: fd}
}

// look takes the kernel's notices and finds out who came. It costs some milliseconds, so it is done at most once a second.
func (v *visits) look(path string) {
	var b [1024]byte
	for {
		if n, err := unix.Read(v.fd, b[:]); n <= 0 || err != nil {
			break
		}
		v.seen = true
	}
	if time.Since(v.looked) < time.Second {
		return
	}
	v.looked = time.Now()
	if names := openedBy(path); names != "" {
		v.names = names
	}
}

// tell names who is there now, or else who came since it was asked last, and forgets them.
func (v *visits) tell(path string) string {
	names := openedBy(path)
	switch {
	case names != "":
	case v.names != "":
		names = v.names
	case v.seen:
		names = unnamed
	}
	v.seen, v.names = false, ""
	return names
}

func (v *visits) close() {
	if v.fd > 0 {
		_ = unix.Close(v.fd) // it was only read from
	}
	v.fd = 0
}
