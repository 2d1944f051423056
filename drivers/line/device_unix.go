//go:build unix

package line

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// maxDescriptor is the first number that select(2), which the serial library
// uses, cannot wait for.
const maxDescriptor = 1024

var (
	errHungUp = errors.New("the port has gone away")
	errFull   = errors.New("the port takes no more bytes; the adapter or the far end is stuck")
)

// device is a second descriptor on the port's device. It holds an advisory lock,
// because exclusive mode stops neither root nor a process that already has the port open.
type device struct {
	path string
	mu   sync.Mutex // unstick comes from another goroutine than close
	fd   int        // -1 when closed
}

func openDevice(path string) (*device, error) {
	// O_NONBLOCK: do not wait for a carrier. O_NOCTTY: a hang-up must not end this process.
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explain(Settings{Address: path}, &os.PathError{Op: "open", Path: path, Err: err})
	}
	d := &device{path: path, fd: fd}
	if fd >= maxDescriptor {
		_ = d.close() // nothing was done with it
		return nil, fmt.Errorf("this process has too many files open: the serial port would get number %d, and only those below %d can be waited for", fd, maxDescriptor)
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = d.close() // the lock error is the one that tells
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, heldError(path)
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	return d, nil
}

// idle says whether there is certainly nothing to read, a hang-up included.
func (d *device) idle() bool {
	fds := [1]unix.PollFd{{Fd: int32(d.fd), Events: unix.POLLIN}}
	n, err := unix.Poll(fds[:], 0)
	return n == 0 && err == nil
}

// awaitRoom returns when the system will take at least one byte, and fails when it does not within wait.
func (d *device) awaitRoom(wait time.Duration) error {
	fds := [1]unix.PollFd{{Fd: int32(d.fd), Events: unix.POLLOUT}}
	n, err := unix.Poll(fds[:], int(max(0, wait).Milliseconds()))
	switch {
	case errors.Is(err, unix.EINTR):
		return nil // the write that follows finds out
	case err != nil:
		return err
	case fds[0].Revents&(unix.POLLHUP|unix.POLLERR|unix.POLLNVAL) != 0:
		return errHungUp
	case n == 0:
		return errFull
	}
	return nil
}

// awaitSent returns when everything written has left, at the latest after limit, and says whether it has.
func (d *device) awaitSent(limit time.Duration) bool {
	deadline := time.Now().Add(limit)
	for {
		n, err := unix.IoctlGetInt(d.fd, unix.TIOCOUTQ)
		left := time.Until(deadline)
		if err != nil || n == 0 || left <= 0 {
			return err == nil && n == 0
		}
		// Nothing tells when the queue runs empty, short of a drain that cannot be limited.
		time.Sleep(min(left, 5*time.Millisecond))
	}
}

// unstick drops what is queued for sending and touches the terminal settings,
// which makes the kernel look again at a writer that waits for room.
func (d *device) unstick() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fd < 0 {
		return
	}
	_ = flushOutput(d.fd) // all this is a last attempt; the caller goes on without the line if it fails
	if t, err := unix.IoctlGetTermios(d.fd, getTermios); err == nil {
		_ = unix.IoctlSetTermios(d.fd, setTermios, t)
	}
}

func (d *device) close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fd < 0 {
		return nil
	}
	err := unix.Close(d.fd) // gives the lock back too
	d.fd = -1
	return err
}

// groupOf names the group that owns a file, or is empty.
func groupOf(path string) string {
	fi, err := os.Stat(path)
	if err != nil {
		return ""
	}
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	id := strconv.FormatUint(uint64(st.Gid), 10)
	if g, err := user.LookupGroupId(id); err == nil {
		return g.Name
	}
	return id
}
