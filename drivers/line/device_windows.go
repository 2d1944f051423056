package line

import (
	"time"

	"go.bug.st/serial"
)

// device is the library's port: on Windows a port can be opened only once, and reads and writes have limits.
type device struct {
	library serial.Port
	timeout time.Duration // last given to the library
}

func openDevice(string) (*device, error) { return &device{timeout: serial.NoTimeout}, nil }

func (d *device) adopt(library serial.Port) error {
	d.library = library
	return nil
}

func (d *device) read(b []byte, wait time.Duration) (int, error) {
	if wait != d.timeout {
		if err := d.library.SetReadTimeout(wait); err != nil {
			return 0, err
		}
		d.timeout = wait
	}
	return d.library.Read(b) // a time-out is 0 and no error; a hang-up is an error
}

func (d *device) write(b []byte, _ time.Duration) error {
	for len(b) > 0 {
		n, err := d.library.Write(b)
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

func (d *device) others() string { return "" }
func (d *device) unstick()       {}

func (d *device) close() error {
	if d.library == nil {
		return nil
	}
	return d.library.Close()
}

func groupOf(string) string { return "" }
