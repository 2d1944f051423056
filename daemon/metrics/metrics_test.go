package metrics

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
)

// full is a snapshot with everything known and so many alarms, routes and pushes.
func full(name string, alarms, ways int) *snapshot.Cell {
	at := time.Date(2026, 3, 1, 21, 15, 0, 0, time.UTC)
	c := &snapshot.Cell{
		Name: name, Supply: "bench", Metal: "Zn", Run: "20260301T201500Z", Began: at.Add(-time.Hour), At: at, Elapsed: time.Hour,
		PlannedTarget: 93960, May: alerts.Permission{Off: true}, Cleared: true, ClearedBy: "night shift",
		Link:    snapshot.Link{Up: true, Identity: `EXAMPLE,"PS\30",0,1`, Since: at.Add(-time.Hour), Reconnects: 1},
		Reading: snapshot.Reading{At: at.Add(-500 * time.Millisecond), Volts: 3.2, Amperes: 3, Mode: drivers.ConstantCurrent, Output: drivers.OutputOn, Count: 3600},
		Charge: snapshot.Charge{
			CountedCoulombs: 10800, ObservedCoulombs: 10790, GapHighCoulombs: 20, UncertaintyCoulombs: 12,
			Budget: integrate.Budget{Gain: 10}, Gaps: 1, GapSeconds: 3, TargetCoulombs: 94000, TargetUncertainty: 300, PlanCoulombs: 10800,
			EnergyJoules: 34560, EnergyObserved: 34500, EnergyUncertainty: 40, SecondsToTarget: 27733, TheoreticalGrams: 3.66, JoulesPerKilogram: 1e7,
		},
		Bath: snapshot.Bath{
			DepositGrams: 3.2, ConcentrationGramPerLitre: 59, OverallEfficiency: 0.88, MarginalEfficiency: 0.88, CurrentDensity: 500,
			OfLimitingCurrent: 0.4, HydrogenLitresPerHour: 1.37, HydrogenLitres: 0.16, AnodeGas: "oxygen", AnodeGasLitresPerHour: 0.69, AcidGrams: 5, WaterGrams: 1,
		},
		Settings: snapshot.Settings{At: at, Status: drivers.Status{SetVolts: 6, SetAmperes: 3, LimitVolts: 8, LimitAmperes: 4}},
		Log:      snapshot.Log{Bytes: 4e5, DiskFree: 1e9},
		Poll:     snapshot.Poll{EverySeconds: 1, Good: 3600, Bad: 2},
		Refused:  map[drivers.Reason]uint64{drivers.NoReply: 2},
	}
	for i, condition := range alerts.Conditions() {
		if i < alarms {
			c.Alarms = append(c.Alarms, alerts.Alarm{Condition: condition.String(), State: alerts.UNACK, Priority: alerts.High, Since: at})
		}
	}
	for i := range ways {
		w := routes.Health{Name: fmt.Sprintf("way-%d", i), Delivered: 3, Proved: at}
		c.Outlet.Routes, c.Outlet.Pushes = append(c.Outlet.Routes, w), append(c.Outlet.Pushes, w)
	}
	return c
}

// serve returns the metrics of these cells after one poll of each.
func serve(cells ...*snapshot.Cell) *Metrics {
	m := New("v0.0.0-test", func() []*snapshot.Cell { return cells })
	for _, c := range cells {
		m.Observer(c.Name, c.Supply).Poll(0.021, 0.0003)
	}
	return m
}

// scrape asks as a scraper does and returns the answer.
func scrape(t *testing.T, m *Metrics, accept string) (body, contentType string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	m.Handler(slog.New(slog.DiscardHandler)).ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("HTTP %d: %s", w.Code, w.Body)
	}
	return w.Body.String(), w.Header().Get("Content-Type")
}

// samples are the lines of an exposition that carry values, by series.
func samples(text string) map[string]string {
	all := make(map[string]string)
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, "#") {
			i := strings.LastIndexByte(line, ' ')
			all[line[:i]] = line[i+1:]
		}
	}
	return all
}

// TestLint holds the names to Prometheus' own linter and to promtool.
func TestLint(t *testing.T) {
	m := serve(full("zinc-1", 34, 2), full("zinc-2", 0, 0))
	problems, err := testutil.GatherAndLint(m.registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatal("promtool is not installed")
		}
		t.Skip("promtool is not installed")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	body, _ := scrape(t, m, "text/plain")
	cmd := exec.CommandContext(ctx, promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(body)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v: %s", err, out)
	}
}

// The most series that there are, as the package comment promises.
const (
	perCell  = 120
	perAlarm = 4
	perRoute = 6
	perPush  = 6
	fixed    = 60
)

// TestCardinality holds the numbers of series to what the package comment promises,
// with everything known and every alarm raised.
func TestCardinality(t *testing.T) {
	count := func(cells ...*snapshot.Cell) int {
		body, _ := scrape(t, serve(cells...), "text/plain")
		return len(samples(body))
	}
	none := count()
	if none > fixed {
		t.Errorf("%d series without a cell, %d promised", none, fixed)
	}
	one := count(full("a", 0, 0)) - none
	if one > perCell || one < perCell-15 {
		t.Errorf("%d series per cell, %d promised", one, perCell)
	}
	if two := count(full("a", 0, 0), full("b", 0, 0)) - none; two != 2*one {
		t.Errorf("two cells have %d series, one has %d", two, one)
	}
	all := len(alerts.Conditions())
	if n := count(full("a", all, 0)) - none - one; n != all*perAlarm {
		t.Errorf("%d alarms have %d series, %d promised", all, n, all*perAlarm)
	}
	if n := count(full("a", 0, 3)) - none - one; n != 3*(perRoute+perPush) {
		t.Errorf("three routes and pushes have %d series, %d promised", n, 3*(perRoute+perPush))
	}
}

// TestValues reads some figures back in their SI units.
func TestValues(t *testing.T) {
	body, _ := scrape(t, serve(full("zinc-1", 1, 1)), "text/plain")
	got := samples(body)
	const labels = `{cell="zinc-1",supply="bench"}`
	for series, want := range map[string]string{
		"nightcell_charge_coulombs" + labels:                                                                  "10800",
		"nightcell_energy_joules" + labels:                                                                    "34560",
		"nightcell_readings_total" + labels:                                                                   "3600",
		"nightcell_gap_seconds_total" + labels:                                                                "3",
		"nightcell_observed_seconds_total" + labels:                                                           "3597",
		"nightcell_reading_age_seconds" + labels:                                                              "0.5",
		"nightcell_reading_timestamp_seconds" + labels:                                                        "1.7723996995e+09", // date -u -d 2026-03-01T21:14:59.5Z +%s
		"nightcell_output_on" + labels:                                                                        "1",
		"nightcell_constant_current" + labels:                                                                 "1",
		"nightcell_hydrogen_cubic_metres" + labels:                                                            "0.00016",
		"nightcell_run_open" + labels:                                                                         "1",
		`nightcell_polls_total{cell="zinc-1",result="bad",supply="bench"}`:                                    "2",
		`nightcell_refused_answers_total{cell="zinc-1",reason="no-reply",supply="bench"}`:                     "2",
		`nightcell_refused_answers_total{cell="zinc-1",reason="echo",supply="bench"}`:                         "0",
		`nightcell_charge_uncertainty_part_coulombs{cell="zinc-1",source="gain",supply="bench"}`:              "10",
		`nightcell_alarm_active{cell="zinc-1",condition="off-failed",priority="high",supply="bench"}`:         "1",
		`nightcell_alarm_unacknowledged{cell="zinc-1",condition="off-failed",priority="high",supply="bench"}`: "1",
		`nightcell_route_delivered_total{cell="zinc-1",route="way-0",supply="bench"}`:                         "3",
		`nightcell_push_lines_total{cell="zinc-1",push="way-0",supply="bench"}`:                               "3",
		`nightcell_cell_info{anode_gas="oxygen",cell="zinc-1",may="off",metal="Zn",supply="bench"}`:           "1",
		`nightcell_supply_info{cell="zinc-1",identity="EXAMPLE,\"PS\\30\",0,1",supply="bench"}`:               "1",
		"nightcell_poll_duration_seconds_count" + labels:                                                      "1",
	} {
		if got[series] != want {
			t.Errorf("%s is %q, want %q", series, got[series], want)
		}
	}
	for series := range got {
		if strings.HasPrefix(series, "nightcell_") && !strings.HasPrefix(series, "nightcell_build_info") &&
			(!strings.Contains(series, `cell="zinc-1"`) || !strings.Contains(series, `supply="bench"`)) {
			t.Errorf("%s lacks the labels cell and supply", series)
		}
	}
}

// TestAlarmStates shows each state of IEC 62682 as what a person would alert on.
func TestAlarmStates(t *testing.T) {
	for state, want := range map[alerts.State]string{
		alerts.UNACK: "110", alerts.ACKED: "100", alerts.RTNUN: "010", alerts.LTUNK: "110", alerts.LTACK: "100",
		alerts.SHLVD: "001", alerts.DSUPR: "001", alerts.OOSRV: "001",
	} {
		c := full("zinc-1", 1, 0)
		c.Alarms[0].State = state
		body, _ := scrape(t, serve(c), "text/plain")
		got := ""
		for _, name := range []string{"active", "unacknowledged", "hidden"} {
			got += samples(body)[`nightcell_alarm_`+name+`{cell="zinc-1",condition="off-failed",priority="high",supply="bench"}`]
		}
		if got != want {
			t.Errorf("%s gives active, unacknowledged, set aside = %s, want %s", state, got, want)
		}
	}
}

// TestUnknownIsAbsent leaves out what is not known instead of a zero or NaN.
func TestUnknownIsAbsent(t *testing.T) {
	c := full("zinc-1", 0, 0)
	*c = snapshot.Cell{Name: c.Name, Supply: c.Supply, At: c.At, Waiting: true, Link: snapshot.Link{Problem: "no such port"}}
	c.PlannedTarget, c.Charge.TargetUncertainty = math.NaN(), math.NaN()
	c.Charge.TargetCoulombs, c.Bath.DepositGrams, c.Charge.SecondsToTarget = math.NaN(), math.NaN(), math.Inf(1)
	for _, accept := range []string{"text/plain", "application/openmetrics-text"} {
		body, _ := scrape(t, serve(c), accept)
		for series, v := range samples(body) {
			if v == "NaN" || strings.Contains(v, "Inf") {
				t.Errorf("%s is %s", series, v)
			}
			for _, name := range []string{"target", "deposit", "charge", "energy", "voltage", "current_amperes", "set_", "protection", "output_on", "readings"} {
				if strings.HasPrefix(series, "nightcell_"+name) {
					t.Errorf("%s is shown although nothing is known", series)
				}
			}
		}
		if got := samples(body)[`nightcell_supply_up{cell="zinc-1",supply="bench"}`]; got == "" || strings.Trim(got, "0.") != "" {
			t.Errorf("supply_up is %q", got)
		}
	}
}

// TestFaultOfOneCellLeavesTheOthers gives two cells the same name, which cannot be,
// and one a broken label: the rest is served, and the fault counted.
func TestFaultOfOneCellLeavesTheOthers(t *testing.T) {
	body, _ := scrape(t, serve(full("a", 0, 0), full("b", 0, 0), full("b", 0, 0)), "text/plain")
	if got := samples(body)[`nightcell_charge_coulombs{cell="a",supply="bench"}`]; got != "10800" {
		t.Errorf("the good cell's charge is %q", got)
	}
}

// TestGarbageInTheIdentity shows a supply that calls itself by bytes that are no text.
func TestGarbageInTheIdentity(t *testing.T) {
	c := full("zinc-1", 0, 0)
	c.Link.Identity = "EXAMPLE,\xff\xfe\n\"x"
	body, _ := scrape(t, serve(c), "application/openmetrics-text;version=1.0.0")
	for _, problem := range checkOpenMetrics(body) {
		t.Error(problem)
	}
	if !strings.Contains(body, `nightcell_supply_info{cell="zinc-1",identity="EXAMPLE,`) {
		t.Error("the supply is not shown")
	}
}

// TestObservingAllocatesNothing keeps garbage off the polling path.
func TestObservingAllocatesNothing(t *testing.T) {
	o := serve().Observer("zinc-1", "bench")
	if n := testing.AllocsPerRun(1000, func() { o.Poll(0.02, 0.001) }); n != 0 {
		t.Errorf("a poll allocates %v times", n)
	}
	Observer{}.Poll(1, 1) // records nothing, and does not fail
}

// TestNegotiation serves the form that is asked for, and the text form to who asks for none.
func TestNegotiation(t *testing.T) {
	m := serve(full("zinc-1", 2, 1))
	for accept, want := range map[string]string{
		"":           "text/plain; version=0.0.4",
		"*/*":        "text/plain; version=0.0.4",
		"text/plain": "text/plain; version=0.0.4",
		"application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5": "application/openmetrics-text; version=1.0.0; charset=utf-8",
	} {
		body, got := scrape(t, m, accept)
		if !strings.HasPrefix(got, want) {
			t.Errorf("asked for %q, got %q, want %q", accept, got, want)
		}
		if strings.Contains(body, " # {") {
			t.Error("there is an exemplar")
		}
	}
}

// TestOpenMetrics holds the OpenMetrics form to the rules of its specification.
func TestOpenMetrics(t *testing.T) {
	body, contentType := scrape(t, serve(full("zinc-1", 34, 2), full("zinc-2", 3, 0)), "application/openmetrics-text;version=1.0.0")
	if want := "application/openmetrics-text; version=1.0.0; charset=utf-8"; !strings.HasPrefix(contentType, want) {
		t.Errorf("content type %q, want %q", contentType, want)
	}
	for _, problem := range checkOpenMetrics(body) {
		t.Error(problem)
	}
	var names []string
	for series := range samples(body) {
		name, _, _ := strings.Cut(series, "{")
		names = append(names, name)
	}
	slices.Sort(names)
	if names = slices.Compact(names); len(names) < 80 {
		t.Errorf("only %d names", len(names))
	}
}

// BenchmarkScrape is one scrape of 200 cells.
func BenchmarkScrape(b *testing.B) {
	var cells []*snapshot.Cell
	for i := range 1000 {
		cells = append(cells, full(fmt.Sprintf("cell-%d", i), 1, 1))
	}
	h := serve(cells...).unpaced(slog.New(slog.DiscardHandler))
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if _, err := io.Copy(io.Discard, w.Body); err != nil || w.Code != http.StatusOK {
			b.Fatal(w.Code, err)
		}
	}
}

// TestAFailingHeartbeatIsSeen: beats that do not arrive are counted apart from those that do.
func TestAFailingHeartbeatIsSeen(t *testing.T) {
	m := serve(full("zinc-1", 0, 0))
	m.Heartbeat(func() routes.HeartbeatHealth { return routes.HeartbeatHealth{Sent: 3, Failed: 2, Withheld: 1} })
	body, _ := scrape(t, m, "text/plain")
	got := samples(body)
	for name, want := range map[string]string{"sent": "3", "failed": "2", "withheld": "1"} {
		if series := "nightcell_heartbeat_" + name + "_total"; got[series] != want {
			t.Errorf("%s is %q, want %s", series, got[series], want)
		}
	}
}
