package fleet

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"nightcell/daemon/runlog"
)

const shipped = "../../configs/prometheus"

// TestShippedRules lets Prometheus' own tool check configuration and rules, and run the rules' tests.
func TestShippedRules(t *testing.T) {
	t.Parallel()
	promtool := program(t, "promtool")
	for _, args := range [][]string{
		{"check", "config", "prometheus.yml"},
		{"check", "rules", "--lint=all", "recording.yml", "alerting.yml"},
		{"test", "rules", "recording_test.yml", "alerting_test.yml"},
	} {
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		cmd := exec.CommandContext(ctx, promtool, args...)
		cmd.Dir = shipped
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
		cancel()
	}
}

// prometheus is a real one with the shipped files, made quicker.
type prometheus struct {
	*process
	t   testing.TB
	dir string
	url string
}

func newPrometheus(t testing.TB, alertmanager string) *prometheus {
	t.Helper()
	path := program(t, "prometheus")
	p := &prometheus{t: t, dir: t.TempDir()}
	address := freeAddress()
	p.url = "http://" + address
	for _, name := range []string{"recording.yml", "alerting.yml"} {
		p.write(name, p.read(name))
	}
	config := p.read("prometheus.yml")
	for from, to := range map[string]string{
		"scrape_interval: 15s": "scrape_interval: 1s", "evaluation_interval: 15s": "evaluation_interval: 1s",
		"refresh_interval: 30s": "refresh_interval: 1s", `"127.0.0.1:9093"`: strconv.Quote(alertmanager),
	} {
		if !strings.Contains(config, from) {
			t.Fatalf("the shipped configuration has no %s", from)
		}
		config = strings.Replace(config, from, to, 1)
	}
	p.write("prometheus.yml", config)
	if err := os.Mkdir(filepath.Join(p.dir, "benches"), 0o700); err != nil {
		t.Fatal(err)
	}
	p.process = launch(t, answers(p.url+"/-/ready"), path, "--config.file="+filepath.Join(p.dir, "prometheus.yml"),
		"--storage.tsdb.path="+filepath.Join(p.dir, "data"), "--web.listen-address="+address, "--log.level=warn")
	return p
}

func (p *prometheus) read(name string) string {
	p.t.Helper()
	b, err := os.ReadFile(filepath.Join(shipped, name))
	if err != nil {
		p.t.Fatal(err)
	}
	return string(b)
}

func (p *prometheus) write(name, text string) {
	p.t.Helper()
	if err := os.WriteFile(filepath.Join(p.dir, name), []byte(text), 0o600); err != nil {
		p.t.Fatal(err)
	}
}

// discover adds a bench by a file, as a person would.
func (p *prometheus) discover(benches ...*bench) {
	p.t.Helper()
	for _, b := range benches {
		p.write(filepath.Join("benches", b.name+".yml"),
			fmt.Sprintf("- targets: [%q]\n  labels: { bench: %s }\n", b.address, b.name))
	}
}

// series is one answer to a query: its labels and its values, oldest first.
type series struct {
	Metric map[string]string
	Value  [2]any
	Values [][2]any
}

func number(v [2]any) float64 {
	f, err := strconv.ParseFloat(fmt.Sprint(v[1]), 64)
	if err != nil {
		return 0
	}
	return f
}

// ask puts a query; the error is Prometheus' own.
func (p *prometheus) ask(query string) ([]series, error) {
	client := &http.Client{Timeout: patience}
	resp, err := client.Get(p.url + "/api/v1/query?query=" + url.QueryEscape(query))
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, err
	}
	var answer struct {
		Status, Error string
		Data          struct{ Result []series }
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		return nil, fmt.Errorf("%s: %w", body, err)
	}
	if answer.Status != "success" {
		return nil, fmt.Errorf("%s: %s", query, answer.Error)
	}
	return answer.Data.Result, nil
}

func (p *prometheus) query(query string) []series {
	p.t.Helper()
	s, err := p.ask(query)
	if err != nil {
		p.t.Fatal(err)
	}
	return s
}

// one is the only value that a query gives, false when there is not exactly one.
func (p *prometheus) one(query string) (float64, bool) {
	p.t.Helper()
	s := p.query(query)
	if len(s) != 1 {
		return 0, false
	}
	return number(s[0].Value), true
}

// TestPrometheusScrapesTwoDaemons runs two nightcells with two cells each, restarts
// one politely and kills the other, and shows that what Prometheus holds equals the daemon's
// own figures to the last bit, at every scrape, and that counters went on.
func TestPrometheusScrapesTwoDaemons(t *testing.T) {
	t.Parallel()
	p := newPrometheus(t, "127.0.0.1:9")
	north := newBench(t, "north", plan{cells: 2, poll: "100 ms"})
	south := newBench(t, "south", plan{cells: 2, poll: "100 ms"})
	p.discover(north, south)
	all := append(append([]string(nil), north.cells...), south.cells...)
	scraped := func(readings int) func() bool {
		return func() bool {
			v, ok := p.one(fmt.Sprintf("count(nightcell_readings_total > %d)", readings))
			return ok && v == float64(len(all))
		}
	}
	waitFor(t, "all cells have 10 readings", scraped(10))
	north.restart(true)
	south.restart(false)
	waitFor(t, "all cells have 60 readings", scraped(60))
	waitFor(t, "all cells were scraped ten times", func() bool {
		v, ok := p.one("count(count_over_time(nightcell_readings_total[10m]) >= 10)")
		return ok && v == float64(len(all))
	})

	for _, b := range []*bench{north, south} {
		for _, cell := range b.cells {
			selector := fmt.Sprintf("{cell=%q,supply=\"%s-bench\",bench=%q}", cell, cell, b.name)
			charge := p.query("nightcell_charge_coulombs" + selector + "[10m]")
			readings := p.query("nightcell_readings_total" + selector + "[10m]")
			if len(charge) != 1 || len(readings) != 1 {
				t.Fatalf("%s has %d series of charge and %d of readings: labels are not stable", cell, len(charge), len(readings))
			}
			n := make(map[any]int)
			for _, v := range readings[0].Values {
				n[v[0]] = int(number(v))
			}
			checked := 0
			for i, v := range charge[0].Values {
				if count := n[v[0]]; count > 0 && (i%2 == 0 || i == len(charge[0].Values)-1) {
					checked++
					if own := b.after(cell, count).Charge; number(v) != own {
						t.Errorf("%s after %d readings: Prometheus has %v C, the daemon's log gives %v C", cell, count, number(v), own)
					}
				}
			}
			if checked < 3 {
				t.Errorf("%s: only %d scrapes compared", cell, checked)
			}
			if v, ok := p.one("resets(nightcell_readings_total" + selector + "[10m])"); !ok || v != 0 {
				t.Errorf("%s: the counter of readings was reset %v times by a restart", cell, v)
			}
			if v, ok := p.one("nightcell_gaps_total" + selector); !ok || v < 1 {
				t.Errorf("%s: %v gaps after a restart", cell, v)
			}
			if b.lines(cell, runlog.KindGap) == 0 {
				t.Errorf("%s: no gap in the log", cell)
			}
		}
	}
	waitFor(t, "the rules have answers", func() bool {
		v, ok := p.one("count(bench:nightcell_cells:count == 2)")
		return ok && v == 2
	})
	dashboardAnswers(t, p)
	client := &http.Client{Timeout: patience}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+north.address+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept", "application/openmetrics-text;version=1.0.0")
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, err := io.ReadAll(resp.Body); err != nil || !strings.HasSuffix(string(body), "# EOF\n") {
		t.Errorf("OpenMetrics from a whole daemon: %v, %d bytes", err, len(body))
	}
}

// dashboardAnswers puts every query of the shipped dashboard to a real Prometheus:
// each must be understood, and those that any cell can answer must have an answer.
func dashboardAnswers(t *testing.T, p *prometheus) {
	t.Helper()
	text, err := os.ReadFile("../../configs/dashboard/nightcell.json")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
		Annotations struct{ List []struct{ Name, Expr string } }
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	for _, a := range d.Annotations.List {
		p.query(substituted(a.Expr))
	}
	asked, empty := 0, 0
	for _, panel := range d.Panels {
		for _, q := range panel.Targets {
			asked++
			if len(p.query(substituted(q.Expr))) == 0 {
				empty++
				t.Logf("no answer yet to %s: %s", panel.Title, q.Expr)
			}
		}
	}
	// Alarms, pushes, and what needs five minutes or a route, are rightly empty here.
	if asked < 40 || empty > 12 {
		t.Errorf("%d of %d queries of the dashboard have no answer", empty, asked)
	}
}

// substituted puts "all" where the dashboard's variables stand.
func substituted(expr string) string {
	return strings.NewReplacer("$bench", ".*", "$cell", ".*").Replace(expr)
}
