package line

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

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
	seen := map[int]bool{}
	var found []Holder
	add := func(pid int) {
		if pid <= 0 || seen[pid] {
			return
		}
		seen[pid] = true
		found = append(found, Holder{PID: pid, Name: processName(proc, pid)})
	}
	for _, pid := range lockers(proc, target) {
		add(pid)
	}
	links, err := filepath.Glob(filepath.Join(proc, "[0-9]*", "fd", "*"))
	if err != nil {
		return found
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
	for _, pid := range have {
		if !masters[pid] || pid == os.Getpid() {
			add(pid)
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
	f, err := os.Open(filepath.Join(proc, "locks"))
	if err != nil {
		return nil
	}
	defer f.Close()
	var pids []int
	for sc := bufio.NewScanner(f); sc.Scan(); {
		w := strings.Fields(sc.Text())
		if len(w) >= 6 && w[1] == "FLOCK" && w[5] == place {
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
