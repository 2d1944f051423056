package fleet

import (
	"flag"
	"fmt"
	"math"
	"testing"
)

var benches = flag.Bool("benches", false, "run twenty benches beside one Prometheus")

// TestTwentyBenches runs twenty nightcells, each with a supply, and one real
// Prometheus that finds them by files. Questions over all benches are answered: which
// cells are late, what a kilogram costs on each bench, which daemon is gone. Nothing home-made stands between.
func TestTwentyBenches(t *testing.T) {
	if !*benches {
		t.Skip("run with -benches")
	}
	const n = 20
	p := newPrometheus(t, "127.0.0.1:9")
	all := make([]*bench, n)
	for i := range all {
		all[i] = newBench(t, fmt.Sprintf("bench-%02d", i+1), plan{cells: 1, poll: "1 s"})
		p.discover(all[i])
	}
	is := func(query string, want float64) {
		t.Helper()
		waitFor(t, fmt.Sprintf("%s is %v", query, want), func() bool {
			v, ok := p.one(query)
			return ok && v == want
		})
	}
	is(`count(up{job="nightcell"} == 1)`, n)
	is(`count(bench:nightcell_runs_open:count == 1)`, n)
	is(`count(nightcell_readings_total > 10)`, n)
	is(`sum(bench:nightcell_cells_late:count)`, 0)

	late, gone := all[6], all[12]
	late.supply[0].kill()
	is(`sum(bench:nightcell_cells_late:count)`, 1)
	s := p.query("bench:nightcell_cells_late:count == 1")
	if len(s) != 1 || s[0].Metric["bench"] != late.name {
		t.Errorf("late are %v, want %s", s, late.name)
	}
	gone.kill()
	is(`count(up{job="nightcell"} == 0)`, 1)
	is(`count(ALERTS{alertname="NightcellGone",bench="`+gone.name+`"})`, 1)

	cost := p.query("bench:nightcell_deposit_energy:joules_per_kilogram")
	if len(cost) < n-1 {
		t.Errorf("%d benches have a cost for a kilogram, want at least %d", len(cost), n-1)
	}
	for _, c := range cost {
		// At 3.2 V or so, 88 % and 3387 C/g of zinc (2 F / 65.38 g/mol) it is 1.2e7 J/kg.
		if v := number(c.Value); v < 8e6 || v > 2e7 {
			t.Errorf("a kilogram costs %.3g J on %s", v, c.Metric["bench"])
		}
	}
	for _, b := range all {
		if b == gone {
			continue
		}
		cell := b.cells[0]
		energy := p.query(fmt.Sprintf("nightcell_energy_joules{cell=%q}[10s]", cell))
		readings := p.query(fmt.Sprintf("nightcell_readings_total{cell=%q}[10s]", cell))
		if len(energy) != 1 || len(readings) != 1 {
			t.Errorf("%s: %d and %d series", cell, len(energy), len(readings))
			continue
		}
		compared := false
		for _, r := range readings[0].Values {
			for _, e := range energy[0].Values {
				if e[0] == r[0] && !compared {
					compared = true
					if own := b.after(cell, int(number(r))).Energy; number(e) != own {
						t.Errorf("%s: Prometheus has %v J, the daemon's log gives %v J", cell, number(e), own)
					}
				}
			}
		}
		if !compared {
			t.Errorf("%s: no scrape compared", cell)
		}
	}
	rate, ok := p.one(`sum(rate(nightcell_readings_total[20s]))`)
	power, _ := p.one(`sum(bench:nightcell_power:watts)`)
	if !ok || math.IsNaN(rate) || rate < 10 {
		t.Errorf("all benches take %.1f readings a second, want about %d", rate, n-2)
	}
	t.Logf("%d benches: %.1f readings/s, %.0f W, %.3g J/kg on %s", n, rate, power, number(cost[0].Value), cost[0].Metric["bench"])
}
