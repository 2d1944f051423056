//go:build unix

package line

import (
	"os"

	"golang.org/x/sys/unix"
)

// Keep holds a serial port as it is now, for who opens and closes it several times with other settings: meanwhile its modem lines
// do not fall, which makes some instruments restart, and giveBack restores its settings. A port that cannot be held is left to Open to
// complain of.
func Keep(address string) (giveBack func() error) {
	fd, err := unix.Open(address, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return func() error { return nil }
	}
	before, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		_ = unix.Close(fd) // it was not written to
		return func() error { return nil }
	}
	return func() error {
		err := unix.IoctlSetTermios(fd, setTermios, before)
		_ = unix.Close(fd) // likewise
		return os.NewSyscallError("restore the port's settings", err)
	}
}
