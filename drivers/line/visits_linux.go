package line

import (
	"time"

	"golang.org/x/sys/unix"
)

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
