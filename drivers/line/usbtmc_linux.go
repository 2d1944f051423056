package line

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Requests of Linux's driver for USB test-and-measurement devices: <linux/usb/tmc.h>, as amd64, arm and arm64 number them.
const (
	usbtmcClear      = 0x5B02
	usbtmcSetTimeout = 0x40045B0A
)

// leastPatience is the shortest limit that every release of that driver takes.
const leastPatience = 500 * time.Millisecond

// isUSBTMC says whether a path leads to such a device.
func isUSBTMC(path string) bool {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		real = path
	}
	return strings.HasPrefix(filepath.Base(real), "usbtmc")
}

// Messenger carries whole messages, as the kernel's driver does, for which tests stand in. It is asked one thing at a time.
type Messenger interface {
	// Read waits for one message, up to a limit of its own, which it tells as ETIMEDOUT. A message against the rules is 0 bytes.
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// Clear empties the buffers of both sides.
	Clear() error
}

type kernelMessenger int

func (fd kernelMessenger) Read(p []byte) (int, error)  { return unix.Read(int(fd), p) }
func (fd kernelMessenger) Write(p []byte) (int, error) { return unix.Write(int(fd), p) }
func (fd kernelMessenger) Clear() error                { return unix.IoctlSetInt(int(fd), usbtmcClear, 0) }

// usbtmc is a USB test-and-measurement device: one message a write, one a read. To read without having asked is a fault
// there, and only the driver's own limit ends a read, so that each runs in a goroutine.
type usbtmc struct {
	*device // its descriptor and lock
	Messenger
	terminator []byte // added to a message, whose end is its own
	patience   time.Duration
	asked      bool         // an answer is owed, or may be
	reading    chan message // not nil: a read is under way
	buf        [maxAnswer]byte
}

type message struct {
	n   int
	err error
}

func openUSBTMC(s Settings) (port, error) {
	d, err := openDevice(s.Address)
	if err != nil {
		return nil, err
	}
	if err := unix.IoctlSetPointerInt(d.fd, usbtmcSetTimeout, int(s.Patience/time.Millisecond)); err != nil {
		return nil, errors.Join(fmt.Errorf("this is not a USB test-and-measurement device; name a serial port, or the device that the kernel's usbtmc driver made: %w", err), d.close())
	}
	d.visits = watchVisits(d.path)
	return newUSBTMC(s, d, kernelMessenger(d.fd)), nil
}

// NewUSBTMC makes a line of a device that is already open and that nobody else uses. Close leaves it open.
func NewUSBTMC(m Messenger, s Settings) *Line {
	s.Address = "usbtmc"
	s = s.withDefaults()
	return newLine(s, spoken(s, newUSBTMC(s, &device{fd: -1}, m)))
}

func newUSBTMC(s Settings, d *device, m Messenger) *usbtmc {
	u := &usbtmc{device: d, Messenger: m, patience: s.Patience, asked: true} // another program may have left an answer
	if s.Silence == 0 {
		u.terminator = []byte(s.ReplyTerminator)
	}
	return u
}

func (u *usbtmc) read(p []byte, wait time.Duration) (int, error) {
	if u.forsaken.Load() {
		return 0, errForsaken
	}
	if wait <= 0 {
		return 0, nil
	}
	if !u.asked {
		time.Sleep(wait) // nothing can come
		return 0, nil
	}
	if u.reading == nil {
		done := make(chan message, 1)
		go func() { // ends with the driver's limit
			n, err := u.Messenger.Read(u.buf[:])
			done <- message{n, err}
		}()
		u.reading = done
	}
	m, ok := u.await(wait)
	switch {
	case !ok:
		return 0, nil
	case errors.Is(m.err, unix.ETIMEDOUT):
		return 0, &Incomplete{}
	case m.n <= 0 && (m.err == nil || errors.Is(m.err, io.EOF)): // how the driver tells of an answer against the rules
		return 0, &Incomplete{Got: "(a message against the rules of USB)"}
	case m.err != nil:
		return 0, m.err
	}
	u.asked = false
	n := copy(p, u.buf[:m.n])
	if !bytes.HasSuffix(u.buf[:m.n], u.terminator) {
		n += copy(p[n:], u.terminator)
	}
	return n, nil
}

// await waits for the read that is under way.
func (u *usbtmc) await(wait time.Duration) (m message, ok bool) {
	limit := time.NewTimer(wait)
	defer limit.Stop()
	select {
	case m = <-u.reading:
		u.reading = nil
		return m, true
	case <-limit.C:
		return m, false
	}
}

func (u *usbtmc) write(p []byte, wait time.Duration) error {
	if u.forsaken.Load() {
		return errForsaken
	}
	if u.reading != nil {
		if _, ok := u.await(wait); !ok { // the driver does one thing at a time
			return errFull
		}
	}
	if len(p) == 0 {
		return nil
	}
	u.asked = u.asked || bytes.IndexByte(p, '?') >= 0 // only a query is answered (IEEE 488.2)
	n, err := u.Messenger.Write(p)
	if err == nil && n < len(p) {
		err = errFull
	}
	return err
}

// empty forgets an answer that is owed. It leaves a device alone that owes none, because a command that
// it has not heard yet would be lost.
func (u *usbtmc) empty() error {
	if u.reading != nil {
		if _, ok := u.await(u.patience + grace); !ok {
			return errFull
		}
	}
	if !u.asked {
		return nil
	}
	u.asked = false
	return u.Clear()
}

func (u *usbtmc) close() error {
	if u.reading != nil {
		<-u.reading // with the driver's limit
	}
	return u.device.close()
}
