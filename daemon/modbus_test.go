//go:build linux

package daemon

import (
	"bufio"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
)

// TestModbus watches a supply of registers behind a Modbus server that strangers wrote, over TCP and as RTU on a serial line, with the map of
// the example that is shipped. Three cells are on units of one line: two count their charge, though the third is silent, and an off of one is verified by what is read back.
func TestModbus(t *testing.T) {
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import pymodbus, serial_asyncio").CombinedOutput(); err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatalf("python3-pymodbus and python3-serial-asyncio are not installed: %v\n%s", err, out)
		}
		t.Skip("python3-pymodbus and python3-serial-asyncio are not installed")
	}
	text, err := os.ReadFile("../configs/modbus-supply.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, framing := range []string{"tcp", "rtu"} {
		t.Run(framing, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			dir, where, port := t.TempDir(), "", ""
			if framing == "tcp" {
				where = strconv.Itoa(housetest.FreePort())
				port = "tcp://127.0.0.1:" + where
			} else {
				port, where = crossed(t)
			}
			server := exec.Command(python, "-u", "testdata/registers.py", framing, where)
			out, err := server.StderrPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := server.Start(); err != nil {
				t.Fatal(err)
			}
			said := make(chan struct{})
			t.Cleanup(func() {
				_ = server.Process.Kill()
				<-said
				_ = server.Wait() // killed is how it ends
			})
			go func() { // ends with the server
				defer close(said)
				for lines := bufio.NewScanner(out); lines.Scan(); {
					t.Log(lines.Text())
				}
			}()
			config := strings.NewReplacer(`data = "/var/lib/nightcell"`, fmt.Sprintf("data = %q", dir),
				`port = "/dev/serial/by-id/usb-EXAMPLE_RS485-if00-port0"`, fmt.Sprintf("port = %q", port),
				`protocol = "modbus-rtu"`, fmt.Sprintf(`protocol = "modbus-%s"`, framing)).Replace(string(text)) + "poll = \"50 ms\"\ngap_after = \"30 s\"\n"
			_, supply, _ := strings.Cut(config, "[supply.rack]") // with its cell
			for n := 2; n <= 3; n++ {                            // on the same line
				config += strings.NewReplacer("supply.rack", fmt.Sprint("supply.rack-", n), "unit = 7 ", fmt.Sprintf("unit = %d ", 6+n), `supply = "rack"`, fmt.Sprintf(`supply = "rack-%d"`, n),
					"zinc-1", fmt.Sprint("zinc-", n)).Replace("[supply.rack]" + supply)
			}
			cfg, err := configs.Parse("modbus.toml", []byte(config))
			if err != nil {
				t.Fatal(err)
			}
			clock, rack := drivers.NewClock(1), new(scpi.Rack)
			d, cells := new(Daemon), map[string]*watch.Cell{}
			var posts []*post
			var stops []func() error
			for i := range cfg.Cells {
				s, err := watch.SettingsOf(cfg, &cfg.Cells[i], rack, clock, slog.New(slog.DiscardHandler))
				if err != nil {
					t.Fatal(err)
				}
				cell := watch.New(s, watch.MachineOf(clock))
				cells[s.Cell], posts, stops = cell, append(posts, &post{Cell: cell}), append(stops, watchtest.Start(t, cell))
			}
			d.cells.Store(&posts)
			amperes := map[string]float64{"zinc-1": 3.0012, "zinc-2": 1.5003} // and zinc-3 is on a unit that is not there
			counts := func(name string, readings uint64) {
				t.Helper()
				soon(t, name+" counts", func() bool { s := cells[name].Latest(); return s != nil && s.Reading.Count > readings })
				s, want := cells[name].Latest(), amperes[name]
				if r := s.Reading; math.Abs(r.Amperes-want) > 1e-6 || math.Abs(r.Volts-3.9) > 1e-6 {
					t.Errorf("%s reads %v A and %v V, the registers hold %v A and 3.9 V", name, r.Amperes, r.Volts, want)
				}
				if want *= s.Elapsed.Seconds(); s.Charge.Gaps > 0 || math.Abs(s.Charge.CountedCoulombs-want) > 1e-3*want {
					t.Errorf("%s counted %.4f C with %d gaps, truly %.4f C", name, s.Charge.CountedCoulombs, s.Charge.Gaps, want)
				}
			}
			counts("zinc-1", 30)
			counts("zinc-2", 30)
			if _, err := d.Operator().Off(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"}); err != nil {
				t.Errorf("switching off: %v", err)
			}
			cell := cells["zinc-1"]
			soon(t, "the run ends with its output off, as read back", func() bool { s := cell.Latest(); return s.Ended && s.OffVerified && s.Reading.Amperes == 0 })
			counts("zinc-2", cells["zinc-2"].Latest().Reading.Count+10)
			if s := cells["zinc-3"].Latest(); s != nil && s.Reading.Count > 0 {
				t.Error("a unit that is not there was read")
			}
			for _, stop := range stops {
				if err := stop(); err != nil {
					t.Error(err)
				}
			}
			for name := range amperes {
				if report, err := runlog.ReplayFile(cells[name].Latest().Run); err != nil || !report.Sound() {
					t.Errorf("replay of %s: %+v, %v", name, report, err)
				}
			}
		})
	}
}

// crossed makes two pseudo-terminals of which each hears what the other says, as with a crossed cable.
func crossed(t *testing.T) (near, far string) {
	t.Helper()
	var masters, slaves [2]*os.File
	for n := range masters {
		masters[n], slaves[n] = housetest.RawTerminal(t)
	}
	for n := range masters {
		go func() { // ends with the test, which closes them
			_, _ = io.Copy(masters[n], masters[1-n])
		}()
	}
	return slaves[0].Name(), slaves[1].Name()
}
