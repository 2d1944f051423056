package line

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"golang.org/x/sys/unix"

	"nightcell/drivers"
)

// places are where the system describes its ports; tests put their own.
type places struct{ sys, dev, proc string }

func ports() ([]Port, error) { return places{"/sys", "/dev", "/proc"}.list() }

// list goes through the kernel's terminals, and its USB devices for measurement, and keeps those with hardware behind them.
func (p places) list() ([]Port, error) {
	var dirs []string
	for _, of := range []struct{ class, prefix string }{{"tty", ""}, {"usbmisc", "usbtmc"}} {
		class := filepath.Join(p.sys, "class", of.class)
		entries, err := os.ReadDir(class)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("list serial ports: %w", err)
		}
		for _, e := range entries {
			dir := filepath.Join(class, e.Name())
			// Virtual consoles have no device, and the placeholders of boards without a UART have the type 0.
			if _, err := os.Stat(filepath.Join(dir, "device")); err == nil && strings.HasPrefix(e.Name(), of.prefix) && attribute(dir, "type") != "0" {
				dirs = append(dirs, dir)
			}
		}
	}
	stable := p.links("by-id")
	byPath := p.links("by-path")
	var list []Port
	for _, dir := range dirs {
		device := filepath.Join(p.dev, filepath.Base(dir))
		list = append(list, Port{
			Name: cmp.Or(stable[device], byPath[device], device), ByPath: byPath[device], Device: device, USB: usbOf(dir),
			Access: unix.Access(device, unix.R_OK|unix.W_OK) == nil, Group: groupOf(device), HeldBy: named(holdersIn(p.proc, device)),
			NameIsStable: stable[device]+byPath[device] != "",
		})
	}
	markShared(list)
	sort.Slice(list, func(i, j int) bool { return natural(list[i].Device) < natural(list[j].Device) })
	return list, nil
}

// links maps each device to its name in one directory of /dev/serial.
func (p places) links(directory string) map[string]string {
	found := map[string]string{}
	names, _ := filepath.Glob(filepath.Join(p.dev, "serial", directory, "*")) // it fails by its pattern alone
	for _, n := range names {
		if target, err := filepath.EvalSymlinks(n); err == nil {
			found[target] = n
		}
	}
	return found
}

// usbOf climbs from a terminal to the USB device it is part of.
func usbOf(dir string) *USB {
	at, err := filepath.EvalSymlinks(filepath.Join(dir, "device"))
	if err != nil {
		return nil
	}
	for range 8 { // a terminal lies at most a few levels below its USB device
		if v := attribute(at, "idVendor"); v != "" {
			return &USB{Vendor: v, Product: attribute(at, "idProduct"), Maker: attribute(at, "manufacturer"),
				Name: attribute(at, "product"), Serial: attribute(at, "serial")}
		}
		at = filepath.Dir(at)
	}
	return nil
}

func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(drivers.Plain(string(b)))
}

// markShared finds adapters that cannot be told apart by what they say.
func markShared(list []Port) {
	seen := map[USB]int{}
	for _, p := range list {
		if p.USB != nil {
			seen[*p.USB]++
		}
	}
	for i, p := range list {
		if p.USB != nil && (p.USB.Serial == "" || seen[*p.USB] > 1) {
			shared := *p.USB
			shared.SerialShared = true
			list[i].USB = &shared
			list[i].Name = cmp.Or(p.ByPath, p.Name)
		}
	}
}

// natural puts ttyUSB10 behind ttyUSB9.
func natural(name string) string {
	stem := strings.TrimRight(name, "0123456789")
	return fmt.Sprintf("%s%8s", stem, name[len(stem):])
}
