package main

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"nightcell/drivers/line"
)

func examplePorts() []line.Port {
	return []line.Port{
		{Stable: "/dev/serial/by-id/usb-Example-A1", Device: "/dev/ttyUSB0", Access: true, Group: "dialout",
			USB:     &line.USB{Vendor: "1234", Product: "5678", Maker: "Example", Name: "Adapter", Serial: "A1"},
			Holders: []line.Holder{{PID: 4711, Name: "watcher"}}},
		{Device: "/dev/ttyS0", Group: "dialout"},
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
		if err := printPorts(&b, c.ports); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, b.String()); d != "" {
			t.Error(d)
		}
	}
}

func TestPortsJSON(t *testing.T) {
	var b bytes.Buffer
	if err := printJSON(&b, portList(examplePorts())); err != nil {
		t.Fatal(err)
	}
	var got portsReport
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	want := portsReport{Ports: []portReport{
		{Name: "/dev/serial/by-id/usb-Example-A1", Device: "/dev/ttyUSB0", Access: true, Group: "dialout", NameIsStable: true,
			USB:    &usbReport{Vendor: "1234", Product: "5678", Maker: "Example", Name: "Adapter", Serial: "A1"},
			HeldBy: []holderReport{{4711, "watcher"}}},
		{Name: "/dev/ttyS0", Device: "/dev/ttyS0", Group: "dialout", HeldBy: []holderReport{}},
	}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	b.Reset()
	if err := printJSON(&b, portList(nil)); err != nil {
		t.Fatal(err)
	}
	if got, want := b.String(), "{\n  \"ports\": []\n}\n"; got != want {
		t.Errorf("no ports: %q, want %q", got, want)
	}
}

// The command works on any machine, with ports or without, and opens none.
func TestPortsCommand(t *testing.T) {
	var out, errs bytes.Buffer
	s := &shell{out: &out, err: &errs}
	cmd := newPortsCommand(s)
	cmd.SetArgs([]string{"--json"})
	if err := cmd.Execute(); err != nil {
		t.Fatal(err)
	}
	var got portsReport
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Errorf("%v in %q", err, out.String())
	}
	cmd = newPortsCommand(s)
	cmd.SetArgs([]string{"/dev/ttyS0"})
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	if err := cmd.Execute(); err == nil {
		t.Error("an argument was taken")
	}
}
