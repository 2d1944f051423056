package line

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// tree builds a miniature /sys, /dev and /proc: files with content, and symbolic links "name -> target".
func tree(t *testing.T, files, links map[string]string) places {
	t.Helper()
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, target := range links {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join(root, target), path); err != nil {
			t.Fatal(err)
		}
	}
	return places{filepath.Join(root, "sys"), filepath.Join(root, "dev"), filepath.Join(root, "proc")}
}

// adapter adds a USB serial adapter the way the kernel shows one.
func adapter(files, links map[string]string, n, usb, serial string) {
	files["dev/ttyUSB"+n] = ""
	at := "sys/devices/pci/usb1/" + usb
	files[at+"/idVendor"], files[at+"/idProduct"] = "1234\n", "5678\n"
	files[at+"/manufacturer"], files[at+"/product"] = "Example\n", "Adapter\n"
	if serial != "" {
		files[at+"/serial"] = serial + "\n"
	}
	files[at+"/"+usb+":1.0/ttyUSB"+n+"/tty/ttyUSB"+n+"/dev"] = "188:" + n
	links["sys/class/tty/ttyUSB"+n] = at + "/" + usb + ":1.0/ttyUSB" + n + "/tty/ttyUSB" + n
	links[at+"/"+usb+":1.0/ttyUSB"+n+"/tty/ttyUSB"+n+"/device"] = at + "/" + usb + ":1.0/ttyUSB" + n
	links["dev/serial/by-path/pci-usb-"+usb] = "dev/ttyUSB" + n
}

func TestPorts(t *testing.T) {
	files := map[string]string{
		"dev/tty1": "", "sys/class/tty/tty1/dev": "4:1", // a console has no device
		"dev/ttyS0": "", "sys/class/tty/ttyS0/device/x": "", "sys/class/tty/ttyS0/type": "4\n",
		"dev/ttyS1": "", "sys/class/tty/ttyS1/device/x": "", "sys/class/tty/ttyS1/type": "0\n", // a placeholder
		"proc/4711/comm": "watcher\n",
		"dev/usbtmc0":    "", "sys/class/usbmisc/usbtmc0/device/x": "", "dev/lp0": "", "sys/class/usbmisc/lp0/device/x": "", // a printer is no port
	}
	links := map[string]string{"dev/serial/by-id/usb-Example-A1": "dev/ttyUSB2", "dev/serial/by-id/usb-Example": "dev/ttyUSB10"}
	adapter(files, links, "2", "1-1", "A1")
	adapter(files, links, "10", "1-2", "")
	links["proc/4711/fd/7"] = "dev/ttyUSB2"
	p := tree(t, files, links)
	got, err := p.list()
	if err != nil {
		t.Fatal(err)
	}
	in := func(name string) string { return filepath.Join(p.dev, name) }
	want := []Port{
		{Name: in("ttyS0"), Device: in("ttyS0"), Access: true},
		{NameIsStable: true, Name: in("serial/by-id/usb-Example-A1"), ByPath: in("serial/by-path/pci-usb-1-1"), Device: in("ttyUSB2"), Access: true,
			USB:    &USB{Vendor: "1234", Product: "5678", Maker: "Example", Name: "Adapter", Serial: "A1"},
			HeldBy: "watcher (process 4711)"},
		// Without a serial number the name by socket is the one to trust.
		{NameIsStable: true, Name: in("serial/by-path/pci-usb-1-2"), ByPath: in("serial/by-path/pci-usb-1-2"), Device: in("ttyUSB10"), Access: true,
			USB: &USB{Vendor: "1234", Product: "5678", Maker: "Example", Name: "Adapter", SerialShared: true}},
		{Name: in("usbtmc0"), Device: in("usbtmc0"), Access: true},
	}
	if d := cmp.Diff(want, got, cmpopts.IgnoreFields(Port{}, "Group")); d != "" {
		t.Error(d)
	}
}

func TestNoPorts(t *testing.T) {
	for _, p := range []places{tree(t, nil, nil), tree(t, map[string]string{"sys/class/tty/tty1/dev": "4:1"}, nil)} {
		if got, err := p.list(); err != nil || len(got) != 0 {
			t.Errorf("%v: %v, %v; want an empty list", p, got, err)
		}
	}
	if _, err := Ports(); err != nil {
		t.Errorf("this machine's ports: %v", err)
	}
}

// The format of /proc/locks is that of proc_locks(5).
func TestHolderByLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "device")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	d, err := openDevice(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	if got := lockers("/proc", path); len(got) != 1 || got[0] != os.Getpid() {
		t.Errorf("lock held by %v, want this process, %d", got, os.Getpid())
	}
	if h := holders(path); len(h) != 1 || h[0].PID != os.Getpid() || h[0].Name == "" {
		t.Errorf("held by %v, want this process, %d", fmt.Sprint(h), os.Getpid())
	}
}

// The process at the far end of a pseudo-terminal has the near one open too, to keep it alive; it is no other reader.
func TestFarEndIsNoHolder(t *testing.T) {
	_, path := openPTY(t)
	proc := t.TempDir()
	for link, target := range map[string]string{"10/fd/3": path, "11/fd/3": path, "11/fd/4": "/dev/ptmx"} {
		at := filepath.Join(proc, link)
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(target, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(proc, "10", "comm"), []byte("a\x1b[2Jb\nc\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]Holder{{PID: 10, Name: "a [2Jb c"}}, holdersIn(proc, path)); diff != "" {
		t.Error(diff)
	}
}
