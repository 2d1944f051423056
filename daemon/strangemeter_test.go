//go:build unix

package daemon

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// TestAStrangersMeter: a multimeter that was written apart from nightcell, on a parser of its own (testdata/meter.py), beside a supply that shows 2 %
// too much: one with a scanner that takes 0.3 s an answer, and one that was set up at its front and only reads. The charge is the cell's.
func TestAStrangersMeter(t *testing.T) {
	const python = "/usr/bin/python3"
	if exec.Command(python, "--version").Run() != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatal("python3 is not installed")
		}
		t.Skip("python3 is not installed")
	}
	for _, tt := range []struct{ name, slow, queries string }{
		{"scanning, slow", "0.3", "current_query = \"MEASure:VOLTage:DC? (@101)\"\nvoltage_query = \"meas:volt? (@102)\"\n"},
		{"reading", "0.02", "current_query = \"READ?\"\n"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			dir := t.TempDir()
			scenario, err := simulated.ParseScenario("live", []byte(watchtest.Live))
			if err != nil {
				t.Fatal(err)
			}
			channels := simulated.DefaultChannels()
			channels[0].Readback.AmpereGain = 0.02
			supply := served(t, simulated.Setup{Clock: drivers.NewClock(1), Seed: 1, Scenario: scenario, Channels: channels}, filepath.Join(dir, "supply"))
			where := stranger(t, python, tt.slow, supply)
			volts := ""
			if strings.Contains(tt.queries, "voltage") {
				volts = "voltage_gain = \"0.01 %\"\nvoltage_offset = \"1 mV\"\n"
			}
			cfg, err := configs.Parse("test.toml", fmt.Appendf(nil, `data = %q
[page]
listen = ""
[supply.a]
port = %q
[supply.a.accuracy]
current_gain = "3 %%"
[meter.shunt]
port = "tcp://127.0.0.1:%s"
identity = "EXAMPLE INSTRUMENTS,SCANNING METER"
shunt = "10 mohm ± 0.001 mohm"
%s[meter.shunt.accuracy]
current_gain = "0.01 %%"
current_offset = "2 uV"
%s[meter.shunt.dialect]
volts_unit = "VDC"
terminator = "\r\n"
[cell.one]
supply = "a"
meters = ["shunt"]
poll = "50 ms"
gap_after = "10 s"
`, dir, filepath.Join(dir, "supply"), where, tt.queries, volts))
			if err != nil {
				t.Fatal(err)
			}
			d, _, stop := runningDaemon(t, cfg)
			soon(t, "the meter counts", func() bool {
				p := d.post("one")
				return p != nil && p.Latest() != nil && p.Latest().Charge.MeterCoulombs > 1
			})
			first := d.post("one").Latest()
			soon(t, "25 C more", func() bool {
				return d.post("one").Latest().Charge.CountedCoulombs > first.Charge.CountedCoulombs+25
			})
			last := d.post("one").Latest()
			counted, span := last.Charge.CountedCoulombs-first.Charge.CountedCoulombs, (last.Elapsed - first.Elapsed).Seconds()
			byMeter := last.Charge.MeterCoulombs - first.Charge.MeterCoulombs
			truly := supply.Truth(1).Amperes * span
			t.Logf("%.4f C of truly %.4f C, %.4f C by the meter", counted, truly, byMeter)
			// What is not the meter's, because it showed an overload, is 2 % too much.
			if byMeter < 0.6*counted || math.Abs(counted-0.02*(counted-byMeter)-truly) > 2e-4*truly || last.Charge.Gaps > 0 {
				t.Errorf("counted %.4f C with %d gaps, truly %.4f C; %.4f C by the meter", counted, last.Charge.Gaps, truly, byMeter)
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
			if report, err := runlog.ReplayFile(last.Run); err != nil || !report.Sound() {
				t.Errorf("replay: %+v, %v", report, err)
			}
		})
	}
}

// stranger runs the meter on the shunt and cell of a supply and returns its port.
func stranger(t *testing.T, python, slow string, of *simulated.Instrument) (port string) {
	t.Helper()
	meter := exec.Command(python, "-u", "testdata/meter.py", slow)
	truth, err := meter.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := meter.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said strings.Builder
	meter.Stderr = &said
	if err := meter.Start(); err != nil {
		t.Fatal(err)
	}
	told := make(chan struct{})
	t.Cleanup(func() {
		_ = meter.Process.Kill()
		<-told
		_ = meter.Wait() // killed is how it ends
		if said.Len() > 0 {
			t.Error(said.String())
		}
	})
	go func() { // ends with the meter
		defer close(told)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for range tick.C {
			now := of.Truth(1)
			if _, err := fmt.Fprintf(truth, "%.9g %.9g\n", simulated.ShuntOhms*now.Amperes, now.CellVolts); err != nil {
				return
			}
		}
	}()
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(line)
}
