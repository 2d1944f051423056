package simulated

import (
	"os"

	"golang.org/x/sys/unix"
)

// rates are those that a terminal's settings name by a number of their own.
var rates = map[int]uint32{1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200}

// runsAt says whether a terminal is set to a rate in bit/s.
func runsAt(terminal *os.File, rate int) bool {
	t, err := unix.IoctlGetTermios(int(terminal.Fd()), unix.TCGETS)
	return err == nil && t.Cflag&unix.CBAUD == rates[rate]
}
