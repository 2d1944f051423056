package line

import (
	"errors"
	"sync"
	"time"

	"go.bug.st/serial"
)

// device is the library's port: on Windows a port can be opened only once. A goroutine of its own reads byte by byte and without
// a limit: the library asks for a read that ends with what has come within a time-out, and both a time-out of less than a
// millisecond and a system that does not know this kind of read would keep what has come.
type device struct {
	library serial.Port
	got     chan byte     // closed after a failure
	failure error         // readable once got is closed
	ended   chan struct{} // closed by close
	once    sync.Once
}

func openDevice(string) (*device, error) {
	return &device{got: make(chan byte, 4096), ended: make(chan struct{})}, nil
}

func (d *device) adopt(library serial.Port) error {
	d.library = library
	go d.listen() // ends with the port
	return nil
}

func (d *device) listen() {
	defer close(d.got)
	for {
		var b [1]byte
		n, err := d.library.Read(b[:])
		if n > 0 {
			select { // ends with the port
			case d.got <- b[0]:
			case <-d.ended:
			}
		}
		if err != nil {
			d.failure = err
			return
		}
	}
}

func (d *device) read(p []byte, wait time.Duration) (n int, err error) {
	limit := time.NewTimer(max(wait, 0))
	defer limit.Stop()
	for n < len(p) {
		b, ok := byte(0), false
		select { // what is there is taken at once
		case b, ok = <-d.got:
		default:
			if n > 0 {
				return n, nil
			}
			select { // ends with wait
			case b, ok = <-d.got:
			case <-limit.C:
				return 0, nil
			}
		}
		if !ok {
			return n, d.failure
		}
		p[n] = b
		n++
	}
	return n, nil
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

// unstick ends the calls that are under way, and gives the port back.
func (d *device) unstick() { _ = d.close() }

func (d *device) close() (err error) {
	d.once.Do(func() {
		close(d.ended)
		if d.library != nil {
			err = errors.Join(d.library.ResetOutputBuffer(), d.library.ResetInputBuffer(), d.library.Close())
		}
	})
	return err
}

func groupOf(string) string { return "" }

const canLook = false // a descriptor there takes no read without a wait

func readNow(uintptr, []byte) (int, error) { return 0, nil }
