//go:build linux

package campaign

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

var (
	kills = flag.Int("campaign", 8, "how many times the watch is killed; 300 makes a campaign")
	seed  = flag.Uint64("seed", 1, "seed of the moments and of the faults")
)

const speed = 300 // an hour in twelve seconds

// night is a rough one: the line goes wrong in every way now and then, and the cable
// is pulled. The test switches the output on once it is watched.
const night = `
name = "campaign"
[supply]
output = "off"
[[event]]
at = "20 min"
kind = "garbage"
chance = 0.5
lasts = "2 min"
repeat = "31 min"
[[event]]
at = "25 min"
kind = "dropped-characters"
chance = 0.05
lasts = "5 min"
repeat = "37 min"
[[event]]
at = "30 min"
kind = "echo"
lasts = "1 min"
repeat = "47 min"
[[event]]
at = "40 min"
kind = "unplug"
lasts = "3 min"
repeat = "53 min"
[[event]]
at = "45 min"
kind = "silence"
lasts = "2 min"
repeat = "59 min"
[[event]]
at = "50 min"
kind = "special-value"
value = "not-a-number"
chance = 0.3
lasts = "2 min"
repeat = "41 min"
`

const config = `
data = %q
[page]
listen = "127.0.0.1:0"
[supply.bench]
port = %q
identity = "EXAMPLE,PS-30-5"
range_voltage = "32 V"
range_current = "5 A"
[supply.bench.accuracy]
current_gain = "0.1 %%"
current_offset = "5 mA"
current_resolution = "1 mA"
[supply.bench.dialect]
timeout = "100 ms"
[cell.zinc-1]
supply = "bench"
poll = "5 s"
sync = "1 min"
may = ["off"]
at_target = "off"
reason = "a test"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "2.5 kg", assay = "99.9 %%" }]
[cell.zinc-1.target]
charge = "%g A h"
[cell.zinc-1.efficiency]
fixed = "88 %%"
[cell.zinc-1.electrodes]
cathode_area = "60 cm2"
[cell.zinc-1.working]
current = "3 A"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6.5 V"
`

// tally is what the campaign came to.
type tally struct {
	kills, killsFull, fills int
	reopened                int       // times the line was opened anew by a process that had it open before
	shown, lost             int       // readings that a process showed before its kill, and of them not in the log
	log                     []byte    // as it was at the last kill
	began                   time.Time // when the first process began to watch, by the machine's clock
	doubt                   float64   // by how many seconds of the run its clock may have begun before that
	inside, looks           int       // kills at which the truth lay in the range shown, of how many
	worstOff                float64
	refused                 counts
	gapKinds                counts
	worstGap, dark          time.Duration
}

type counts map[string]int

func (c counts) String() string {
	var list []string
	for _, k := range slices.Sorted(maps.Keys(c)) {
		list = append(list, fmt.Sprintf("%s %d", k, c[k]))
	}
	return strings.Join(list, ", ")
}

// bench is the simulated supply behind a pseudo-terminal, with nightcell's configuration for it.
type bench struct {
	clock  drivers.Clock
	supply *simulated.Instrument
	config string // file
}

// newBench opens a supply with a scenario; text is the configuration, with a place for the port.
func newBench(t *testing.T, speed float64, scenario, text string) *bench {
	t.Helper()
	b := &bench{clock: drivers.NewClock(speed), config: filepath.Join(t.TempDir(), "nightcell.toml")}
	s, err := simulated.ParseScenario("campaign", []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	if b.supply, err = simulated.New(simulated.Setup{Clock: b.clock, Seed: int64(*seed), Scenario: s}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	port, err := simulated.Serve(ctx, b.supply, "")
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := os.WriteFile(b.config, []byte(strings.ReplaceAll(text, "PORT", port.Path())), 0o600); err != nil {
		t.Fatal(err)
	}
	return b
}

// TestCampaign kills the watch at random moments of a whole run; afterwards the log
// is sound, no durable reading is missing, and the truth lies in the stated range.
func TestCampaign(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(*seed, 1))
	disk := newDisk(t)
	hours := 1.5 + float64(*kills)*0.08 // long enough for so many kills on a busy machine
	b := newBench(t, speed, night, fmt.Sprintf(config, disk.dir, "PORT", 3*hours))
	sum := &tally{refused: counts{}}
	// The run must have begun before it can be taken up.
	started := time.Now()
	w := startWatch(t, []string{program}, b.config, speed)
	w.until(t, "a reading with the output off", patience, func(m metrics) bool { return m["nightcell_reading_timestamp_seconds"] > 0 })
	b.supply.Handle([]byte("OUTP ON\n")) // not by the scenario: what flows before a slow start is nobody's to count
	w.until(t, "the run started", patience, func(m metrics) bool { return m["nightcell_readings_total"] > 3 })
	sum.began = w.said.began(t)
	sum.doubt = 1 + speed*sum.began.Sub(started).Seconds()
	for !sum.ended(t, disk.dir) {
		wait(t, time.Duration(50+random.IntN(500))*time.Millisecond)
		full := false
		if disk.mounted && random.IntN(6) == 0 {
			disk.fill(t)
			sum.fills++
			wait(t, time.Duration(100+random.IntN(400))*time.Millisecond)
			if full = random.IntN(2) == 0; !full {
				disk.free(t)
			}
		}
		sum.killAt(t, w, b, disk, full)
		wait(t, time.Duration(random.IntN(60))*time.Millisecond)
		if sum.kills == *kills {
			w = startWatch(t, []string{program}, b.config, speed)
			break
		}
		w = startWatch(t, begun(random), b.config, speed)
	}
	if sum.kills < *kills*3/4 {
		t.Errorf("the run ended after %d kills already: this machine is too slow for %d", sum.kills, *kills)
	}
	w.until(t, "the end of the run", 6*time.Minute, func(metrics) bool { return sum.ended(t, disk.dir) })
	if err := w.stop(t); err != nil {
		t.Errorf("stopping: %v\n%s", err, w.said)
	}
	judge(t, filepath.Dir(logOf(t, disk.dir)), b.supply.Truth(1), sum)
}

// begun is how the next process is begun: now and then in a time namespace in
// which the monotonic clock stands elsewhere, as it does after another boot or sleep.
func begun(random *rand.Rand) []string {
	elsewhere := random.IntN(1_000_000)
	if random.IntN(2) == 0 || exec.Command("unshare", "-T", "true").Run() != nil {
		return []string{program}
	}
	return []string{"unshare", "-T", "--monotonic", strconv.Itoa(elsewhere), program}
}

// ended says whether the run has come to its end.
func (sum *tally) ended(t *testing.T, dir string) bool {
	t.Helper()
	_, ended, err := runlog.LatestRun(dir, "zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	return ended
}

// killAt looks at what the watch shows, kills it, and looks at what it leaves.
func (sum *tally) killAt(t *testing.T, w *process, b *bench, d disk, full bool) {
	t.Helper()
	before, at := b.supply.Truth(1).Charge, time.Now()
	m, err := w.metrics()
	if err != nil {
		t.Fatalf("reading the metrics: %v\n%s", err, w.said)
	}
	after := b.supply.Truth(1).Charge
	w.kill(t)
	sum.kills++
	if full {
		sum.killsFull++
		d.free(t)
	}
	sum.grown(t, logOf(t, d.dir))
	shown, ok := m["nightcell_readings_total"]
	waiting, ok2 := m["nightcell_log_backlog_bytes"]
	if !ok || !ok2 {
		return // killed before its first round
	}
	sum.shown = int(shown)
	if lost := int(shown) - sum.readings(); lost > 0 {
		sum.lost += lost
		if waiting == 0 {
			t.Fatalf("kill %d: the log holds %d readings, %d had been shown and none waited for the disk", sum.kills, sum.readings(), sum.shown)
		}
	}
	sum.compare(t, m, at, before, after)
	sum.reopened += max(0, int(m["nightcell_supply_opened_total"])-1)
	for name, n := range m {
		if reason, ok := strings.CutPrefix(name, "nightcell_refused_answers_total "); ok && n > 0 {
			sum.refused[reason] += int(n)
		}
	}
}

// compare sets the range that was shown against the truth, which lay between before,
// at the time at, and after when it was shown. The charge counted is that up to the
// newest reading. The run's stamps are those of the first process's clock, through all kills.
func (sum *tally) compare(t *testing.T, m metrics, at time.Time, before, after float64) {
	t.Helper()
	newest, ok := m["nightcell_reading_timestamp_seconds"]
	if !ok {
		return // this process has had no reading yet
	}
	const most = 3.3 // A, more than ever flows
	stamp := sum.began.Add(speed * at.Sub(sum.began))
	age := float64(stamp.UnixNano())/1e9 - newest
	before -= most * (max(age, 0) + sum.doubt)
	after += most * sum.doubt
	u := m["nightcell_charge_uncertainty_coulombs"]
	low := m["nightcell_charge_observed_coulombs"] + m["nightcell_gap_charge_low_coulombs"] - 2*u
	high := m["nightcell_charge_observed_coulombs"] + m["nightcell_gap_charge_high_coulombs"] + 2*u
	sum.looks++
	if low <= after && before <= high {
		sum.inside++
	} else {
		t.Errorf("kill %d: %.1f to %.1f C were shown, the truth lay between %.1f and %.1f C", sum.kills, low, high, before, after)
	}
	off := max(0, before-m["nightcell_charge_coulombs"], m["nightcell_charge_coulombs"]-after)
	sum.worstOff = max(sum.worstOff, off/u)
}
