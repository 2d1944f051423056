//go:build !linux

package line

import (
	"fmt"
	"runtime"

	"go.bug.st/serial"
)

// holders cannot be found without /proc.
func holders(string) []Holder { return nil }

// ports has only names here. The library opens ports to list them on some
// systems, so it is asked on those alone where it does not.
func ports() ([]Port, error) {
	if runtime.GOOS != "windows" && runtime.GOOS != "darwin" {
		return nil, ErrNoListing
	}
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	list := make([]Port, len(names))
	for i, n := range names {
		list[i] = Port{Name: n, Device: n, Access: true, NameIsStable: true}
	}
	return list, nil
}
