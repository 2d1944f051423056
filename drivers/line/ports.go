package line

import "errors"

// Port is one serial port of this machine, as it can be described without opening it.
type Port struct {
	// Stable is the name to put into a configuration: it stays the same when the
	// adapter is plugged in again. Empty when the system makes none.
	Stable string
	// ByPath names the socket instead of the adapter, for adapters that share a serial number.
	ByPath string
	Device string // what the names lead to now
	USB    *USB   // nil when not on USB
	Access bool   // this user may read and write it
	Group  string // whose members may, where files have groups
	// Holders are the processes that have it, as far as this user may see them.
	Holders []Holder
}

// USB is what an adapter says about itself.
type USB struct {
	Vendor, Product     string // four hexadecimal digits each
	Maker, Name, Serial string
	SerialShared        bool // another port here has the same serial number, or this has none
}

// ErrNoListing says that the system has no list of ports to read.
var ErrNoListing = errors.New("ports cannot be listed without opening them here; look in the system's device list")

// Ports lists the serial ports without opening any: opening one moves its modem
// lines, which resets some instruments, and disturbs whoever is using it.
func Ports() ([]Port, error) { return ports() }
