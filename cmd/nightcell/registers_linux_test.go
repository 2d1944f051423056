package main

import (
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"nightcell/configs"
)

// registersServed are holding registers of unit 7 behind a socket of Modbus TCP, and whether anything but a reading was asked.
func registersServed(t *testing.T) (port string, meddled *atomic.Bool) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	holding := map[uint16]uint16{0: 4711, 16: 3900, 17: 3001, 18: 1, 24: 3000, 26: 600}
	meddled = new(atomic.Bool)
	serve := func(c net.Conn) {
		defer c.Close()
		for q := make([]byte, 12); ; {
			if _, err := io.ReadFull(c, q); err != nil || q[2] != 0 || q[3] != 0 { // hangs up on what is no frame
				return
			}
			if q[6] != 7 {
				continue
			}
			pdu := []byte{q[7] | 0x80, 2}
			if value, known := holding[binary.BigEndian.Uint16(q[8:])]; known && q[7] == 3 {
				pdu = binary.BigEndian.AppendUint16([]byte{3, 2}, value)
			}
			if q[7] != 3 {
				meddled.Store(true)
			}
			if _, err := c.Write(append([]byte{q[0], q[1], 0, 0, 0, byte(1 + len(pdu)), 7}, pdu...)); err != nil {
				return
			}
		}
	}
	go func() { // ends with the listener
		for c, err := l.Accept(); err == nil; c, err = l.Accept() {
			go serve(c)
		}
	}()
	return "tcp://" + l.Addr().String(), meddled
}

// TestAttachModbus: a supply of registers is found by reading, what only its manual tells is asked or left to be filled in, and a map is checked by reading.
func TestAttachModbus(t *testing.T) {
	t.Parallel() // most of it is waiting
	port, meddled := registersServed(t)
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	text := func(name string) string {
		b, err := os.ReadFile(file(name))
		if err != nil {
			t.Error(err)
		}
		return string(b)
	}
	code, out, said := commanded("", "attach", port, "--yes", "--write", file("left.toml"))
	if code != 0 || !strings.Contains(out, "it speaks Modbus TCP, unit 7") || !strings.Contains(out, "take it from the supply's manual") || !strings.Contains(out, "In place of each FILL-IN") || strings.Contains(out, "k = 2") {
		t.Errorf("exit code %d\n%s%s", code, out, said)
	}
	for _, want := range []string{`protocol = "modbus-tcp"`, "unit = 7 # ", `measure_volts = "FILL-IN" # The voltage at the output, in the form "holding 16 uint16 0.01"`, `off = "FILL-IN"`, "as the supply's manual has them"} {
		if !strings.Contains(text("left.toml"), want) {
			t.Errorf("%q is not written in\n%s", want, text("left.toml"))
		}
	}
	if code, _, said = commanded("", "check", "--config", file("left.toml")); code != 2 || strings.Count(said, `"FILL-IN" names no table`) != 8 {
		t.Errorf("exit code %d\n%s", code, said)
	}

	answers := "holding 0\nMEAS:VOLT?\nholding 16 uint16 0.001\nholding 17 uint16 0.001\nholding 18\nholding 26 uint16 0.01\nholding 24 uint16 0.001\nholding 18\nholding 18 = 0\nholding 24 uint16 0.001 = {amperes}\n30 A\n30 V\n5 A\n0.1 %\n5 mA\n3.3 A\n5 V\n"
	code, out, said = commanded(answers, "attach", port, "--write", file("asked.toml"))
	if code != 0 || !strings.Contains(out, `"MEAS:VOLT?" names no table`) || !strings.Contains(out, `"holding 18" says nothing to write`) || !strings.Contains(out, "3.9 V, 3.001 A, within") || !strings.Contains(out, "is a current; a voltage is needed") {
		t.Errorf("exit code %d\n%s%s", code, out, said)
	}
	c, err := configs.Load(file("asked.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if s := c.Supplies[0]; s.RangeVolts != 30 || s.RangeAmperes != 5 || s.Dialect.Unit != 7 || s.Dialect.Off != "holding 18 = 0" || c.Cells[0].Limits.Volts != 5 {
		t.Errorf("%+v", s)
	}

	for identify, want := range map[string]string{"holding 0": "Next: nightcell watch", "holding 99": "exception 2 illegal data address"} {
		plan := fmt.Sprintf("data = \"d\"\n[supply.rack]\nport = \"FILL-IN\"\nparity = \"even\"\n[supply.rack.dialect]\nprotocol = \"modbus-rtu\"\nunit = 7\nidentify = %q # by the manual\nmeasure_volts = \"holding 16 uint16 0.001\"\n"+
			"measure_amperes = \"holding 17 uint16 0.001\"\noutput = \"holding 18\"\nset_volts = \"holding 26\"\nset_amperes = \"holding 24\"\noff = \"holding 18 = 0\"\nset_current = \"holding 24 = {amperes}\"\n[cell.zinc-1]\nsupply = \"rack\"\n", identify)
		if err := os.WriteFile(file("map.toml"), []byte(plan), 0o600); err != nil {
			t.Fatal(err)
		}
		name := "with " + identify + ".toml"
		if code, out, said := commanded("", "attach", port, "--plan", file("map.toml"), "--yes", "--write", file(name)); !strings.Contains(out, want) || (code == 0) != (identify == "holding 0") {
			t.Errorf("exit code %d\n%s%s", code, out, said)
		}
		if got := text(name); !strings.Contains(got, `protocol = "modbus-tcp"`) || !strings.Contains(got, fmt.Sprintf("identify = %q # by the manual", identify)) || strings.Contains(got, "FILL-IN") {
			t.Errorf("written:\n%s", got)
		}
	}
	if meddled.Load() {
		t.Error("something but a reading was asked")
	}
}
