//go:build unix

package daemon

import (
	"fmt"
	"path/filepath"
	"testing"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/drivers/simulated"
)

// TestReloadOfAMeter: a cell gets a second meter while its run is open, then that meter becomes a poorer one, and then it goes: each time the
// run goes on, counts by what is there, and its log gives the same to the bit.
func TestReloadOfAMeter(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	supply := shelf(t, dir, "a")[0]
	multimeter, err := simulated.NewMultimeter(supply)
	if err != nil {
		t.Fatal(err)
	}
	port, err := simulated.Serve(t.Context(), multimeter, filepath.Join(dir, "m"))
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	text := func(gain string) *configs.Config {
		t.Helper()
		meter, meters := "", ""
		if gain != "" {
			meters = "meters = [\"shunt\"]\n"
			meter = fmt.Sprintf("[meter.shunt]\nport = %q\ncurrent_query = \"MEAS:VOLT:DC?\"\nvoltage_query = \"MEAS:VOLT:DC? (@2)\"\nshunt = \"10 mohm ± 0.001 mohm\"\n"+
				"[meter.shunt.accuracy]\ncurrent_gain = %q\ncurrent_offset = \"2 uV\"\nvoltage_gain = \"0.01 %%\"\nvoltage_offset = \"1 mV\"\n", port.Path(), gain)
		}
		cfg, err := configs.Parse("test.toml", fmt.Appendf(nil, "data = %q\n[page]\nlisten = \"\"\n[supply.a]\nport = %q\n%s[cell.one]\nsupply = \"a\"\npoll = \"50 ms\"\ngap_after = \"10 s\"\n%s",
			dir, filepath.Join(dir, "a"), meter, meters))
		if err != nil {
			t.Fatal(err)
		}
		return cfg
	}
	d, reload, stop := runningDaemon(t, text(""))
	counts := func() { t.Helper(); countsOn(t, d, "one", 5) }
	counts()
	run := d.post("one").Latest().Run
	for _, gain := range []string{"0.01 %", "0.5 %"} {
		before := d.post("one").Latest().Charge.MeterCoulombs
		if err := reload(text(gain)); err != nil {
			t.Fatal(err)
		}
		counts()
		soon(t, "the meter counts", func() bool { return d.post("one").Latest().Charge.MeterCoulombs > before+0.5 })
	}
	s := d.post("one").Latest()
	if poorer := s.Charge.Budget.Meter / s.Charge.MeterCoulombs; s.Run != run || poorer < 0.0028 || poorer > 0.0030 { // 0.5 % as a half-width
		t.Errorf("run %s is %s, the meter's uncertainty %.5f of what it has measured", run, s.Run, poorer)
	}
	if err := reload(text("")); err != nil {
		t.Fatal(err)
	}
	counts()
	if now := d.post("one").Latest(); now.Run != run || now.Charge.MeterCoulombs < s.Charge.MeterCoulombs || now.Charge.CountedCoulombs < s.Charge.CountedCoulombs {
		t.Errorf("without the meter %+v, before %+v", now.Charge, s.Charge)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if report, err := runlog.ReplayFile(run); err != nil || !report.Sound() {
		t.Errorf("replay: %+v, %v", report, err)
	}
}
