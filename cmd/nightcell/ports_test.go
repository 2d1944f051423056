package main

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightcell/drivers/line"
)

func examplePorts() []line.Port {
	return []line.Port{
		{NameIsStable: true, Name: "/dev/serial/by-id/usb-Example-A1", Device: "/dev/ttyUSB0", Access: true, Group: "dialout",
			USB:    &line.USB{Vendor: "1234", Product: "5678", Maker: "Example", Name: "Adapter", Serial: "A1"},
			HeldBy: "watcher (process 4711)"},
		{Name: "/dev/ttyS0", Device: "/dev/ttyS0", Group: "dialout"},
	}
}

func TestPrintPorts(t *testing.T) {
	for _, c := range []struct {
		ports []line.Port
		want  string
	}{
		{nil, "No serial port found. Plug in the adapter and try again. For a supply on the network use port = \"tcp://host:port\".\n"},
		{examplePorts(), "" +
			"port                              device        USB                                   access                  open in\n" +
			"/dev/serial/by-id/usb-Example-A1  /dev/ttyUSB0  1234:5678 Example Adapter, serial A1  yes                     watcher (process 4711)\n" +
			"/dev/ttyS0                        /dev/ttyS0    -                                     no: join group dialout  none found\n"},
	} {
		var b bytes.Buffer
		if err := (&shell{out: &b}).table(func(w io.Writer) { printPorts(w, c.ports) }); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, b.String()); d != "" {
			t.Error(d)
		}
	}
}

// The command works on any machine, with ports or without, and opens none.
func TestPortsCommand(t *testing.T) {
	var out, errs bytes.Buffer
	s := &shell{out: &out, err: &errs}
	cmd := newPortsCommand(s)
	cmd.SetArgs([]string{})
	if err := cmd.Execute(); err != nil || !strings.HasPrefix(out.String(), "port ") && !strings.HasPrefix(out.String(), "No serial port found.") {
		t.Errorf("%v in %q", err, out.String())
	}
	cmd = newPortsCommand(s)
	cmd.SetArgs([]string{"/dev/ttyS0"})
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	if err := cmd.Execute(); err == nil {
		t.Error("an argument was taken")
	}
}
