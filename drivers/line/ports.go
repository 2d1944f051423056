package line

import "errors"

// Port is one serial port of this machine, as it can be described without opening it.
type Port struct {
	// Name is the one to put into a configuration. Where it is stable it stays the same when the adapter is plugged in again.
	Name   string
	Device string // what the name leads to now
	// ByPath names the socket instead of the adapter, for adapters that share a serial number.
	ByPath string
	USB    *USB   // nil when not on USB
	Access bool   // this user may read and write it
	Group  string // whose members may, where files have groups
	// HeldBy are the processes that have it, as far as this user may see them.
	HeldBy       string
	NameIsStable bool
}

// USB is what an adapter says about itself.
type USB struct {
	Vendor       string // four hexadecimal digits
	Product      string // likewise
	Maker        string
	Name         string
	Serial       string
	SerialShared bool // another port here has the same serial number, or this has none
}

// ErrNoListing says that the system has no list of ports to read.
var ErrNoListing = errors.New("ports cannot be listed without opening them here; look in the system's device list")

// Ports lists the serial ports without opening any: opening one moves its modem
// lines, which resets some instruments, and disturbs whoever is using it.
func Ports() ([]Port, error) { return ports() }
