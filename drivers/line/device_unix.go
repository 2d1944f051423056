//go:build unix

package line

import (
	"errors"
	"io"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

var (
	errHungUp   = errors.New("the port has gone away")
	errFull     = errors.New("the port accepts no more bytes; the adapter or the far end is stuck")
	errMeddled  = errors.New("another process has changed the port's settings")
	errForsaken = errors.New("the port was given up")
)

// device is our own descriptor on the port's device. The library makes the settings and
// is closed again, because its reads and writes can block for ever: another process may take the bytes between
// readiness and read. This descriptor never blocks. It holds an advisory lock, because exclusive
// mode stops neither root nor a process that already has the port open.
type device struct {
	path     string
	file     *os.File        // of fd; through it the runtime waits for input, and closes
	input    syscall.RawConn // of file
	came     bool            // a look found input
	lookErr  error           // or a reason to look no more
	look     func(uintptr) bool
	settings unix.Termios // as the library made them
	visits   visits
	gone     *atomic.Bool // nobody wants what is read any more: see endRead
	forsaken atomic.Bool  // unstick was called: the owner does nothing more on it
	mu       sync.Mutex   // unstick comes from another goroutine than close
	fd       int          // -1 when closed; changed under mu
}

// openDevice opens a device and locks it.
func openDevice(path string) (*device, error) {
	// O_NONBLOCK: wait neither for a carrier nor in any call. O_NOCTTY: a hang-up must not end this process.
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explain(Settings{Address: path}, &os.PathError{Op: "open", Path: path, Err: err})
	}
	d := &device{path: path, fd: fd, file: os.NewFile(uintptr(fd), path), gone: new(atomic.Bool)}
	d.look = func(uintptr) bool {
		d.came, d.lookErr = d.await(unix.POLLIN, 0)
		return d.came || d.lookErr != nil
	}
	if d.input, err = d.file.SyscallConn(); err != nil {
		_ = d.close() // nothing was done with it
		return nil, err
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = d.close() // the lock error is the one that tells
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, heldError(path)
		}
		return nil, &os.PathError{Op: "lock", Path: path, Err: err}
	}
	return d, nil
}

// adopt takes the port over from the library, which has made the settings.
func (d *device) adopt(library serial.Port) error {
	// Closing it ends exclusive mode, so ours comes after.
	if err := library.Close(); err != nil {
		return err
	}
	// A pseudo-terminal stays exclusive after a kill for as long as its other end is open: nobody but root could take the line up again.
	if real, err := filepath.EvalSymlinks(d.path); err != nil || !strings.HasPrefix(real, "/dev/pts/") {
		_ = unix.IoctlSetInt(d.fd, unix.TIOCEXCL, 0) // a terminal without it is watched all the same: the lock counts
	}
	_ = unix.IoctlSetInt(d.fd, resumeRequest, resumes) // likewise: whoever stopped the output may have it stopped again
	t, err := unix.IoctlGetTermios(d.fd, getTermios)
	if err != nil {
		return os.NewSyscallError("read the settings back", err)
	}
	d.settings = *t
	d.visits = watchVisits(d.path)
	return nil
}

func (d *device) read(b []byte, wait time.Duration) (int, error) {
	deadline := time.Now().Add(wait)
	for {
		ready, err := d.awaitInput(deadline)
		switch {
		case err != nil:
			return 0, err
		case d.gone.Load():
			return 0, nil
		case !ready && time.Until(deadline) > 0:
			continue // a signal, or a visitor
		case !ready:
			return 0, d.unmeddled()
		}
		n, err := tryRead(d.fd, b)
		switch {
		case n > 0:
			return n, nil
		case errors.Is(err, unix.EAGAIN): // another process was quicker
			d.visits.seen = true
			if time.Until(deadline) <= 0 {
				return 0, nil
			}
		case err == nil:
			return 0, errHungUp
		case !errors.Is(err, unix.EINTR):
			return 0, err
		}
	}
}

func (d *device) write(b []byte, wait time.Duration) error {
	deadline := time.Now().Add(wait)
	for {
		if d.forsaken.Load() {
			return errForsaken
		}
		n, err := tryWrite(d.fd, b)
		if b = b[max(0, n):]; len(b) == 0 {
			return nil
		}
		if err != nil && !errors.Is(err, unix.EAGAIN) && !errors.Is(err, unix.EINTR) {
			return err
		}
		left := time.Until(deadline)
		if left <= 0 {
			return errFull
		}
		if errors.Is(err, unix.EAGAIN) { // the system may say that there is room and take nothing
			time.Sleep(min(left, time.Millisecond))
		}
		if _, err := d.await(unix.POLLOUT, min(left, slice)); err != nil {
			return err
		}
	}
}

// awaitInput waits for something to read, or until a deadline. It lets the runtime wait where that can: over a
// thread of ours that waits in the system the runtime would keep watch, and wake up for it many times in a millisecond.
func (d *device) awaitInput(deadline time.Time) (ready bool, err error) {
	d.came, d.lookErr = false, nil
	if time.Until(deadline) > 0 && d.file.SetReadDeadline(deadline) == nil {
		if !d.gone.Load() { // set since, it ends the wait
			_ = d.input.Read(d.look) // fails at the deadline, and then it is looked once more
		}
		_ = d.file.SetReadDeadline(time.Time{}) // lest the process wake up for it
	}
	if d.came || d.lookErr != nil {
		return d.came, d.lookErr
	}
	if d.gone.Load() {
		return false, nil
	}
	return d.await(unix.POLLIN, time.Until(deadline))
}

// heed makes reads end once gone is true and endRead is called. A wait in slices would wake the process for each, and for the one
// that the answer came in as well, because the runtime forgets a deadline late.
func (d *device) heed(gone *atomic.Bool) { d.gone = gone }

// endRead may be called by any goroutine.
func (d *device) endRead() { _ = d.file.SetReadDeadline(time.Unix(0, 1)) } // of a port closed meanwhile nobody reads

// await waits until the device is ready for an event, and tells visits of processes that
// open it meanwhile. It may return early.
func (d *device) await(event int16, wait time.Duration) (ready bool, err error) {
	if d.forsaken.Load() {
		return false, errForsaken
	}
	fds := [2]unix.PollFd{{Fd: int32(d.fd), Events: event}, {Fd: int32(d.visits.fd), Events: unix.POLLIN}}
	of := fds[:1]
	if d.visits.fd > 0 {
		of = fds[:]
	}
	var n int
	if wait <= 0 {
		n, err = tryPoll(of)
	} else {
		n, err = unix.Poll(of, int((wait+time.Millisecond-1)/time.Millisecond)) // rounded up, so that less than a millisecond is no busy loop
	}
	switch {
	case errors.Is(err, unix.EINTR):
		return false, nil
	case err != nil:
		return false, os.NewSyscallError("poll", err)
	case n > 0 && fds[1].Revents != 0:
		d.visits.look(d.path)
	}
	got := fds[0].Revents
	if got&event == 0 && got != 0 {
		return false, errHungUp
	}
	return got&event != 0, nil
}

// unmeddled fails when the settings are not ours any more: no answer can be trusted
// until the port has been opened anew, which sets them.
func (d *device) unmeddled() error {
	switch t, err := tryTermios(d.fd); {
	case err != nil:
		return errHungUp
	case t != d.settings:
		d.visits.seen = true
		return errMeddled
	}
	return nil
}

func (d *device) others() string { return d.visits.tell(d.path) }

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

// unstick drops what is queued for sending, touches the terminal settings, which makes the kernel look again at
// whoever waits in it, and gives up the claim on the device: even if the owner never comes back from the
// kernel, the port can be opened anew.
func (d *device) unstick() {
	d.forsaken.Store(true)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fd < 0 {
		return
	}
	_ = flushOutput(d.fd) // all this is a last attempt; the caller goes on without the line if it fails
	if t, err := unix.IoctlGetTermios(d.fd, getTermios); err == nil {
		_ = unix.IoctlSetTermios(d.fd, setTermios, t)
	}
	_ = unix.IoctlSetInt(d.fd, unix.TIOCNXCL, 0)
	_ = unix.Flock(d.fd, unix.LOCK_UN)
}

// close lets the last bytes out, which may be the command that switches the output
// off, but drops them rather than let the kernel hold the port for their sake.
func (d *device) close() error {
	if d.fd < 0 {
		return nil
	}
	if !d.awaitSent(200 * time.Millisecond) {
		_ = flushOutput(d.fd) // fails when the device is gone, and then there is nothing to drop
	}
	_ = unix.IoctlSetInt(d.fd, unix.TIOCNXCL, 0) // likewise
	_ = unix.Flock(d.fd, unix.LOCK_UN)           // a child that this process begins just now has the descriptor too, until it runs its program
	d.visits.close()
	d.mu.Lock()
	d.fd = -1
	d.mu.Unlock()
	return d.file.Close() // may last, so nobody is kept waiting for mu
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

const canLook = true

// readNow reads from a descriptor of the runtime, which never waits; nothing is no error.
func readNow(fd uintptr, p []byte) (int, error) {
	switch n, err := tryRead(int(fd), p); {
	case err == unix.EAGAIN || err == unix.EINTR:
		return 0, nil
	case err != nil:
		return 0, os.NewSyscallError("read", err)
	case n == 0:
		return 0, io.EOF
	default:
		return n, nil
	}
}
