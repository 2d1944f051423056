package line

import (
	"testing"

	"golang.org/x/sys/unix"
)

// TestAPseudoTerminalIsNotLeftExclusive: its other end stays open when we are killed, and with it the mode, which would keep
// the next watch out unless root runs it.
func TestAPseudoTerminalIsNotLeftExclusive(t *testing.T) {
	_, path := openPTY(t)
	mustOpen(t, Settings{Address: path})
	fd, err := openRaw(path)
	if err != nil {
		t.Fatalf("the line keeps others out: %v", err)
	}
	defer unix.Close(fd)
	if mode, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); err != nil || mode != 0 {
		t.Errorf("exclusive: %d, %v", mode, err)
	}
}
