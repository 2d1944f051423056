package fleet

import (
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"testing"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// TestSerialServer counts the charge of a supply behind a network serial server that strangers wrote, by raw TCP and by RFC 2217, and
// holds it against what has truly flown between the first reading and the last. Meanwhile the server dies and comes back.
func TestSerialServer(t *testing.T) {
	server := program(t, "ser2net")
	for scheme, accepter := range map[string]string{"tcp": "tcp", "rfc2217": "telnet(rfc2217),tcp"} {
		t.Run(scheme, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			clock := drivers.NewClock(1)
			i, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1})
			if err != nil {
				t.Fatal(err)
			}
			supply, err := simulated.Serve(t.Context(), i, filepath.Join(dir, "supply"))
			if err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := supply.Close(); err != nil {
					t.Error(err)
				}
			}()
			address, page := freeAddress(), freeAddress()
			host, port, err := net.SplitHostPort(address)
			if err != nil {
				t.Fatal(err)
			}
			yaml := filepath.Join(dir, "ser2net.yaml")
			put(t, yaml, fmt.Sprintf("%%YAML 1.1\n---\nconnection: &supply\n  accepter: %s,%s,%s\n  connector: serialdev,%s,9600n81,local\n", accepter, host, port, supply.Path()))
			ser2net := launch(t, func() bool {
				c, err := net.Dial("tcp", address) // which it serves and forgets
				if err == nil {
					c.Close()
				}
				return err == nil
			}, server, "-n", "-c", yaml)
			config := filepath.Join(dir, "cell.toml")
			put(t, config, fmt.Sprintf("data = %q\n[page]\nlisten = %q\n[supply.bench]\nport = \"%s://%s\"\nbaud = 19200\nidentity = \"EXAMPLE,PS-30-5\"\n"+
				"range_voltage = \"32 V\"\nrange_current = \"5 A\"\n[supply.bench.accuracy]\ncurrent_gain = \"0.1 %%\"\ncurrent_offset = \"5 mA\"\n"+
				"[cell.zinc-1]\nsupply = \"bench\"\npoll = \"50 ms\"\n", dir, page, scheme, address))
			watch := launch(t, answers("http://"+page+"/healthz"), built(t), "watch", "--config", config)
			var run string
			readings := func() int64 {
				if run, _, err = runlog.LatestRun(dir, "zinc-1"); err != nil || run == "" {
					return 0
				}
				report, err := runlog.ReplayFile(run)
				if err != nil {
					return 0
				}
				return report.Totals.Readings
			}
			waitFor(t, "fifty readings", func() bool { return readings() > 50 })
			ser2net.kill() // as a power cut does
			ser2net.start()
			before := readings()
			waitFor(t, "fifty more on another connection", func() bool { return readings() > before+50 })
			watch.stop()
			report, err := runlog.ReplayFile(run)
			if err != nil || !report.Sound() {
				t.Fatalf("replay: %+v, %v", report, err)
			}
			got := report.Totals
			all := i.Truth(1) // of a current that the supply holds
			amperes := all.Charge / all.At.Seconds()
			truth := amperes * got.Elapsed.Seconds()
			if got.Gaps != 1 || math.Abs(got.Charge-truth) > 2*got.StandardUncertainty || got.StandardUncertainty > 0.2*truth {
				t.Errorf("counted %.4f ± %.4f C with %d gaps, truly %.4f C", got.Charge, 2*got.StandardUncertainty, got.Gaps, truth)
			}
			// Where it was observed, the meter is as good as it is stated to be: 0.1 % and 5 mA.
			if seen := amperes * got.Observed.Seconds(); math.Abs(got.ObservedCharge-seen) > (0.001+0.005/amperes)*seen {
				t.Errorf("observed %.4f C, truly %.4f C", got.ObservedCharge, seen)
			}
			t.Logf("counted %.4f ± %.4f C in %d readings, truly %.4f C", got.Charge, 2*got.StandardUncertainty, got.Readings, truth)
		})
	}
}

func put(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
