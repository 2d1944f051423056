package page_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"text/template"

	"nightcell/configs"
	"nightcell/daemon"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// watched is a real daemon over a simulated supply and cell on a pseudo-terminal. All figures are invented.
type watched struct {
	*daemon.Daemon
	url string
}

// setup is how a watched cell differs from the usual.
type setup struct {
	speed    float64
	poll     string
	scenario string // sections of a scenario file
	page     string // lines under [page]
}

var watchConfig = template.Must(template.New("").Parse(`
data = "{{.Data}}"
[page]
listen = "127.0.0.1:0"
token_file = "{{.Data}}/token"
{{.Page}}
[supply.bench]
port = "{{.Port}}"
range_voltage = "32 V"
range_current = "5 A"
[cell.zinc-1]
supply = "bench"
poll = "{{.Poll}}"
sync = "10 min"
may = ["off"]
reason = "a test: nobody is there to lift the cathode"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
concentration = "60 g/L"
ph = 4.5
[cell.zinc-1.target]
charge = "26.1 A h"
[cell.zinc-1.electrodes]
cathode = "aluminium"
cathode_area = "60 cm2"
anode = "lead"
gap = "30 mm"
separator = "diaphragm"
[cell.zinc-1.working]
current = "3 A"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6 V"
duration = "30 h"
`))

func watch(t *testing.T, o setup) *watched {
	t.Helper()
	dir := t.TempDir()
	clock := drivers.NewClock(o.speed)
	scenario, err := simulated.ParseScenario("test", []byte("name = \"test\"\nduration = \"24 h\"\n"+o.scenario))
	if err != nil {
		t.Fatal(err)
	}
	instrument, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1, Scenario: scenario})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	port, err := simulated.Serve(ctx, instrument, "")
	if err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if err := watchConfig.Execute(&text, map[string]string{"Data": dir, "Page": o.page, "Port": port.Path(), "Poll": o.poll}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "token"), []byte(operatorToken), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := configs.Parse(filepath.Join(dir, "nightcell.toml"), text.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	ready, ended := make(chan struct{}), make(chan error, 1)
	d, err := daemon.New(daemon.Options{
		Config: cfg, Clock: clock, Version: "test", Log: slog.New(slog.DiscardHandler), Ready: func() { close(ready) },
	})
	if err != nil {
		t.Fatal(err)
	}
	go func() { ended <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	})
	select { // ends when the daemon listens or has failed
	case <-ready:
	case err := <-ended:
		t.Fatal(err)
	}
	return &watched{d, fmt.Sprintf("http://%s", d.Address())}
}

// latest returns the newest snapshot once a run counts: before, there is nothing to show, to push or to act on.
func (w *watched) latest(t *testing.T) *snapshot.Cell {
	t.Helper()
	var all []*snapshot.Cell
	eventually(t, "a run that counts", func() bool {
		all = w.Snapshots()
		return len(all) == 1 && all[0].Run != "" && all[0].Reading.Count > 0
	})
	return all[0]
}

// TestAHeartbeatThatFailsIsInTheMetrics: the outside watcher may be misspelt, and then nobody would miss the beats.
func TestAHeartbeatThatFailsIsInTheMetrics(t *testing.T) {
	refusing := httptest.NewServer(http.NotFoundHandler())
	defer refusing.Close()
	w := watch(t, setup{speed: 1, poll: "100 ms", page: fmt.Sprintf("[heartbeat]\nurl = %q\nevery = \"1 s\"", refusing.URL)})
	eventually(t, "a beat that failed", func() bool {
		answer, err := http.Get(w.url + "/metrics")
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		return err == nil && regexp.MustCompile(`(?m)^nightcell_heartbeat_failed_total [1-9]`).Match(body)
	})
}
