package line

import (
	"fmt"
	"os"
	"slices"
	"strings"
)

// Holder is a process that has a port.
type Holder struct {
	PID  int
	Name string
}

func (h Holder) String() string { return fmt.Sprintf("%s (process %d)", h.Name, h.PID) }

// HeldError says that another process, or another part of this one, has the port.
type HeldError struct {
	Path   string
	Holder Holder // zero when the system does not tell
}

func (e *HeldError) Error() string {
	switch e.Holder.PID {
	case 0:
		return e.Path + " is held by another process, which the system does not name; end that one, or use another port"
	case os.Getpid():
		return e.Path + " is already held by this process; two cells on one supply must name the same supply"
	}
	return fmt.Sprintf("%s is held by %s; end that one first (kill %d), or use another port", e.Path, e.Holder, e.Holder.PID)
}

// named lists processes in words; "" when there is none.
func named(list []Holder) string {
	names := make([]string, len(list))
	for i, h := range list {
		names[i] = h.String()
	}
	return strings.Join(names, ", ")
}

// openedBy names the other processes that have a port open; "" when the system tells of none.
func openedBy(path string) string {
	return named(slices.DeleteFunc(holders(path), func(h Holder) bool { return h.PID == os.Getpid() }))
}

func heldError(path string) error {
	e := &HeldError{Path: path}
	if h := holders(path); len(h) > 0 {
		e.Holder = h[0]
	}
	return e
}
