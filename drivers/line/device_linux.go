package line

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"

	"golang.org/x/sys/unix"
)

const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
)

func flushOutput(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) }

// adopt looks up the descriptors that this process has on the device, the
// library's among them. It fails if one cannot be waited for with select(2), and
// keeps child processes from inheriting them, for a child that holds the port
// keeps an adapter that was plugged in again from getting its old name.
func (d *device) adopt() error {
	want, err := os.Readlink(filepath.Join("/proc/self/fd", strconv.Itoa(d.fd)))
	if err != nil {
		return nil // no /proc here: go without
	}
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return nil
	}
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		if got, err := os.Readlink(filepath.Join("/proc/self/fd", e.Name())); err != nil || got != want {
			continue
		}
		if fd >= maxDescriptor {
			return fmt.Errorf("this process has too many files open: the serial port got number %d, and only those below %d can be waited for", fd, maxDescriptor)
		}
		unix.CloseOnExec(fd)
	}
	return nil
}
