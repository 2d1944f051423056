//go:build linux

package campaign

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// live begins with the output on.
const live = `
name = "live"
[supply]
output = "on"
`

// watched is the configuration for the tests of one alarm: the supply's 3 A are more than is allowed.
const watched = `
data = %q
[page]
listen = "127.0.0.1:0"
[supply.bench]
port = "PORT"
identity = "EXAMPLE,PS-30-5"
range_voltage = "32 V"
range_current = "5 A"
[supply.bench.accuracy]
current_gain = "0.1 %%"
current_offset = "5 mA"
current_resolution = "1 mA"
[cell.zinc-1]
supply = "bench"
poll = "1 s"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "250 g", assay = "99.9 %%" }]
[cell.zinc-1.target]
recover = "68 %%"
[cell.zinc-1.efficiency]
fixed = "88 %%"
[cell.zinc-1.limits]
current = "%s"
`

// hook is a receiver of notices that can be down, deaf or well.
type hook struct {
	address string
	events  chan event
	mu      sync.Mutex
	deaf    bool // takes a notice and never answers
	freed   chan struct{}
}

// event is a CloudEvents 1.0 envelope as far as the test asks.
type event struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	Data        struct {
		Kind      string `json:"kind"`
		Condition string `json:"condition"`
	} `json:"data"`
}

// newHook finds a free port and leaves it closed: the receiver is down.
func newHook(t *testing.T) *hook {
	t.Helper()
	return &hook{address: fmt.Sprintf("127.0.0.1:%d", housetest.FreePort()), events: make(chan event, 100), freed: make(chan struct{})}
}

// up opens the port.
func (h *hook) up(t *testing.T, deaf bool) {
	t.Helper()
	h.deaf = deaf
	l, err := net.Listen("tcp", h.address)
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: h}
	go func() {
		if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	}()
	t.Cleanup(func() {
		close(h.freed)
		if err := server.Close(); err != nil {
			t.Error(err)
		}
	})
}

func (h *hook) well() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.deaf = false
}

func (h *hook) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var e event
	if err != nil || json.Unmarshal(body, &e) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	h.events <- e
	h.mu.Lock()
	deaf := h.deaf
	h.mu.Unlock()
	if deaf {
		select { // until the sender is gone
		case <-r.Context().Done():
		case <-h.freed:
		}
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// next waits for a notice about a condition.
func (h *hook) next(t *testing.T, kind, condition string, w *process) event {
	t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case e := <-h.events:
			if e.Data.Kind == kind && e.Data.Condition == condition {
				return e
			}
		case <-deadline:
			t.Fatalf("no notice %s of %s came\n%s", kind, condition, w.said)
		}
	}
}

// alarm is one line of nightcell alarms --json.
type alarm struct {
	Condition string `json:"condition"`
	State     string `json:"state"`
	By        string `json:"by"`
}

// command runs nightcell against the running daemon.
func command(t *testing.T, config string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(program, append(args, "--config", config)...)
	out, err := cmd.Output()
	if err != nil {
		var ended *exec.ExitError
		if errors.As(err, &ended) {
			t.Fatalf("nightcell %v: %v\n%s", args, err, ended.Stderr)
		}
		t.Fatal(err)
	}
	return out
}

func alarms(t *testing.T, config string) []alarm {
	t.Helper()
	var list struct {
		Alarms []alarm `json:"alarms"`
	}
	if out := command(t, config, "alarms", "--json"); json.Unmarshal(out, &list) != nil {
		t.Fatalf("nightcell alarms printed %q", out)
	}
	return list.Alarms
}

// TestNoticeOutlivesKills raises and acknowledges an alarm while its receiver is
// down, kills the watch, kills it again in the middle of the delivery, and asks that the
// alarm is still acknowledged, the notice arrives under one identity, and charge,
// energy and deposit go on from where they were.
func TestNoticeOutlivesKills(t *testing.T) {
	t.Parallel()
	const speed = 20
	h := newHook(t)
	dir := filepath.Join(t.TempDir(), "data")
	b := newBench(t, speed, live, fmt.Sprintf(watched, dir, "2.5 A")+`
[route.phone]
kind = "webhook"
url = "http://`+h.address+`/"
report_acknowledged = true
repeat = "0 s"
timeout = "30 s"
`)
	acknowledged := alarm{"over-current", "ACKED", "night shift"}

	w := startWatch(t, []string{program}, b.config, speed)
	w.until(t, "over-current is raised", patience, func(metrics) bool {
		return slices.ContainsFunc(alarms(t, b.config), func(a alarm) bool { return a.Condition == "over-current" && a.State == "UNACK" })
	})
	command(t, b.config, "alarms", "ack", "zinc-1", "over-current", "--by", "night shift")
	first := w.until(t, "the acknowledgement is seen", patience, func(metrics) bool { return slices.Contains(alarms(t, b.config), acknowledged) })
	w.kill(t)

	h.up(t, true)
	w = startWatch(t, []string{program}, b.config, speed)
	told := h.next(t, "alarm", "over-current", w)
	if told.SpecVersion != "1.0" || told.ID == "" {
		t.Errorf("the notice is no CloudEvents 1.0: %+v", told)
	}
	second := goesOn(t, w, first)
	if list := alarms(t, b.config); !slices.Contains(list, acknowledged) {
		t.Errorf("after the first kill the alarms are %+v", list)
	}
	w.kill(t)

	h.well()
	w = startWatch(t, []string{program}, b.config, speed)
	if again := h.next(t, "alarm", "over-current", w); again.ID != told.ID {
		t.Errorf("the notice came as %s and, after a kill, as %s", told.ID, again.ID)
	}
	answered := h.next(t, "acknowledged", "over-current", w)
	if answered.ID == told.ID {
		t.Error("the acknowledgement has the identity of the alarm")
	}
	goesOn(t, w, second)
	if list := alarms(t, b.config); !slices.Contains(list, acknowledged) {
		t.Errorf("after the second kill the alarms are %+v", list)
	}
	if err := w.stop(t); err != nil {
		t.Errorf("stopping: %v\n%s", err, w.said)
	}
	close(h.events)
	for e := range h.events {
		if e.ID == told.ID || e.ID == answered.ID {
			t.Errorf("the delivered notice %s came once more", e.ID)
		}
	}
	verify(t, filepath.Dir(logOf(t, dir)))
}

// goesOn waits for readings beyond those of before, and asks that what was counted
// then is still in the sums: the gap between adds to them, and in the same proportion to the deposit.
func goesOn(t *testing.T, w *process, before metrics) metrics {
	t.Helper()
	now := w.until(t, "more readings", patience, func(m metrics) bool {
		return m["nightcell_readings_total"] > before["nightcell_readings_total"] && m["nightcell_gaps_total"] > before["nightcell_gaps_total"]
	})
	for _, sum := range []string{"nightcell_charge_coulombs", "nightcell_charge_observed_coulombs", "nightcell_energy_joules", "nightcell_deposit_grams"} {
		if before[sum] <= 0 || now[sum] < before[sum] {
			t.Errorf("%s was %v before the kill and is %v after it", sum, before[sum], now[sum])
		}
	}
	perCoulomb := func(m metrics) float64 { return m["nightcell_deposit_grams"] / m["nightcell_charge_coulombs"] }
	if r := perCoulomb(now) / perCoulomb(before); math.Abs(r-1) > 1e-6 {
		t.Errorf("the deposit per charge changed by the factor %v", r)
	}
	return now
}
