package main

import (
	"cmp"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"text/template"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
	"nightcell/integrate"
)

//go:embed demo.toml
var demoConfig string

// demoCell is the demonstration's one cell, as in demo.toml.
const demoCell = "zinc-1"

// configName is the configuration's file in the data directory.
const configName = "nightcell.toml"

// demoSpeed lets the twelve hours of the demonstration pass in about a minute.
const demoSpeed = 720

// demoFlags are the flags of nightcell demo.
type demoFlags struct {
	data, listen, scenario string
	speed                  float64
	seed                   int64
}

func newDemoCommand(s *shell) *cobra.Command {
	var f demoFlags
	cmd := newCommand("demo", func(cmd *cobra.Command, _ []string) error { return f.run(cmd.Context(), s) })
	flags := cmd.Flags()
	flags.StringVar(&f.data, "data", "", "keep configuration and run logs in this `directory` (default: a temporary one)")
	flags.StringVar(&f.listen, "listen", "127.0.0.1:0", "serve the page and metrics on this `address`")
	flags.StringVar(&f.scenario, "scenario", "", "follow this scenario `file`")
	flags.Float64Var(&f.speed, "speed", demoSpeed, "clock speed as a multiple of real time")
	flags.Int64Var(&f.seed, "seed", 1, "seed of the simulated noise")
	return cmd
}

func (f *demoFlags) run(ctx context.Context, s *shell) error {
	if !(f.speed >= 1 && f.speed <= 20000) {
		return usagef("--speed %g: choose 1 to 20000; faster, one poll takes longer than the time it covers", f.speed)
	}
	scenario, err := f.loadScenario()
	if err != nil {
		return usageError{err}
	}
	if err := f.checkListen(); err != nil {
		return err
	}
	dir, err := f.directory()
	if err != nil {
		return usageError{err}
	}
	clock := drivers.NewClock(f.speed)
	instrument, err := simulated.New(simulated.Setup{Clock: clock, Seed: f.seed, Scenario: scenario})
	if err != nil {
		return err
	}
	bench, stopBench := context.WithCancel(context.WithoutCancel(ctx))
	defer stopBench()
	port, err := simulated.Serve(bench, instrument, "")
	if err != nil {
		return err
	}
	d := &demonstration{shell: s, demoFlags: f, port: port.Path(), dir: dir}
	phone := httptest.NewServer(d)
	defer phone.Close()
	cfg, text, err := f.configure(dir, d.port, phone.URL)
	if err != nil {
		return err
	}
	last, err := d.watch(ctx, cfg, text, instrument, clock, cmp.Or(time.Duration(scenario.Duration), longestDemo))
	if err != nil {
		return errors.Join(err, port.Close())
	}
	phone.Close() // no notification comes any more
	truth := instrument.Truth(1)
	if err := port.Close(); err != nil {
		return fmt.Errorf("closing the simulated supply: %w", err)
	}
	return d.finish(last, truth, scenario)
}

// loadScenario returns the scenario asked for, or the demonstration's own: the output
// is off at first, as at a bench where the watch is started before the charge.
func (f *demoFlags) loadScenario() (*simulated.Scenario, error) {
	s, err := simulated.ParseScenario("demo", []byte(`name = "demo"`))
	if f.scenario != "" {
		s, err = simulated.LoadScenario(f.scenario)
	}
	if err != nil {
		return nil, err
	}
	s.Supply.Output = "off" // whatever the night brings, it begins as at a bench
	return s, nil
}

// longestDemo ends a demonstration whose scenario does not say how long its night is.
const longestDemo = 24 * time.Hour

// demoZero is how many polls the demonstration's operator lets the watch take its
// zero in, before switching the output on at the supply.
const demoZero = 20

func (f *demoFlags) directory() (string, error) {
	if f.data == "" {
		return os.MkdirTemp("", "nightcell-demo-")
	}
	if err := os.MkdirAll(f.data, 0o750); err != nil {
		return "", fmt.Errorf("--data: %w; choose a directory that you can create or write to", err)
	}
	if run, _, err := runlog.LatestRun(f.data, demoCell); err == nil {
		return "", fmt.Errorf("--data %s contains the run of another demonstration (%s); choose another directory", f.data, run)
	}
	return filepath.Abs(f.data)
}

// checkListen tries the address in a configuration, before anything is made.
func (f *demoFlags) checkListen() error {
	_, _, err := f.configure("data", "port", "http://127.0.0.1:1/")
	mistakes, ok := errors.AsType[configs.Mistakes](err)
	if !ok {
		return err
	}
	return usagef("--listen: %s; give a loopback address such as 127.0.0.1:9648, or \"\" for no page", mistakes[0].Wrong)
}

// configure makes the demonstration's configuration and reads it as nightcell watch would.
func (f *demoFlags) configure(dir, port, webhook string) (*configs.Config, string, error) {
	var b strings.Builder
	err := template.Must(template.New("demo").Parse(demoConfig)).Execute(&b, map[string]string{
		"Data": dir, "Port": port, "Listen": f.listen, "Webhook": webhook,
	})
	if err != nil {
		return nil, "", fmt.Errorf("writing the configuration: %w", err)
	}
	cfg, err := configs.Parse(filepath.Join(dir, configName), []byte(b.String()))
	return cfg, b.String(), err
}

// demonstration is a night going on, and what it prints.
type demonstration struct {
	*shell
	*demoFlags
	port, dir string
	nextAt    float64 // part of the target at which the next line comes

	mu       sync.Mutex
	received int
	told     []string // conditions that an alarm was raised for, each once, in the order of their first notifications
}

// say prints a line.
func (d *demonstration) say(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	_ = d.tell(d.out, fmt.Sprintf(format+"\n", args...))
}

// ServeHTTP takes one CloudEvent, as a real webhook would.
func (d *demonstration) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var event struct {
		Data struct {
			Subject, Text, Kind, Condition string
			Repeat                         int
		}
	}
	if err := json.NewDecoder(io.LimitReader(r.Body, 1<<20)).Decode(&event); err != nil {
		http.Error(w, "not a CloudEvent: "+err.Error(), http.StatusBadRequest)
		return
	}
	e := event.Data
	if e.Repeat > 0 {
		d.say("notification  %s (reminder %d, not acknowledged)", e.Subject, e.Repeat)
	} else {
		d.say("notification  %s. %s", e.Subject, e.Text)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.received++
	if e.Kind == "alarm" && !slices.Contains(d.told, e.Condition) {
		d.told = append(d.told, e.Condition)
	}
	w.WriteHeader(http.StatusNoContent)
}

// watch runs the daemon until its run has ended, or ctx, and returns the last snapshot.
func (d *demonstration) watch(ctx context.Context, cfg *configs.Config, text string, bench *simulated.Instrument, clock drivers.Clock, limit time.Duration) (*snapshot.Cell, error) {
	log := slog.New(slog.NewTextHandler(d.err, &slog.HandlerOptions{Level: slog.LevelWarn}))
	ready := make(chan struct{})
	watch, err := daemon.New(daemon.Options{
		Config: cfg, Clock: clock, Version: version(), Log: log, Ready: func() { close(ready) },
	})
	if err != nil {
		return nil, err
	}
	// Only now is the data directory ours alone.
	if err := os.WriteFile(filepath.Join(cfg.Data, configName), []byte(text), 0o640); err != nil {
		return nil, fmt.Errorf("writing the configuration: %w", err)
	}
	watching, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- watch.Run(watching) }()
	select { // ends when the daemon is ready or has failed
	case <-ready:
	case err := <-ended:
		return nil, err
	}
	page := ""
	if address := watch.Address(); address != "" {
		page = ", page and metrics on http://" + address + "/"
	}
	d.say("Simulated supply and zinc cell (invented data) on %s, clock %g times as fast.\nData in %s%s", d.port, d.speed, d.dir, page)
	last, err := d.follow(ctx, watch, bench, clock, limit, ended)
	if err != nil {
		return nil, err
	}
	flush, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := watch.Flush(flush); err != nil {
		log.Warn("notices", "err", err)
	}
	stop()
	return last, <-ended
}

// follow shows the run as it goes on and returns its last snapshot.
func (d *demonstration) follow(ctx context.Context, watch *daemon.Daemon, bench *simulated.Instrument, clock drivers.Clock, limit time.Duration, ended chan error) (*snapshot.Cell, error) {
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		select { // ends with the run, with ctx, or when the daemon fails
		case err := <-ended:
			ended <- err
			if err == nil {
				err = errors.New("nightcell stopped before the run ended")
			}
			return nil, err
		case <-ctx.Done():
			return nil, errors.New("interrupted; the run log is in " + d.dir)
		case <-tick.C:
		}
		all := watch.Snapshots()
		if len(all) == 0 {
			continue
		}
		s := all[0]
		if s.Waiting && !s.Ended {
			if s.Poll.Good >= demoZero {
				bench.Handle([]byte("OUTP ON")) // as a hand at the front panel would; nightcell never does
			}
			if clock.Now() <= limit {
				continue
			}
		}
		d.progress(s)
		if s.Ended || clock.Now() > limit {
			return s, nil
		}
	}
}

// progress says now and then where the run is: a bar, and the figures a person would look for.
func (d *demonstration) progress(s *snapshot.Cell) {
	share := s.Charge.CountedCoulombs / s.Charge.TargetCoulombs
	if s.Charge.TargetReached {
		share = 1
	}
	if !(share >= d.nextAt) {
		return
	}
	d.nextAt += 1.0 / barLength
	full := int(max(0, min(1, share)) * barLength)
	d.say("[%s%s] %6.2f of %.2f A·h  %.3f V  %.3f A  %.2f g  %s", strings.Repeat("#", full), strings.Repeat("-", barLength-full),
		s.Charge.CountedCoulombs/3600, s.Charge.TargetCoulombs/3600, s.Reading.Volts, s.Reading.Amperes,
		s.Bath.DepositGrams, timeToGo(s.Charge.SecondsToTarget))
}

// barLength is how many blocks a whole run has, each a line.
const barLength = 12

func timeToGo(seconds float64) string {
	if !(seconds <= 100*3600) { // or not a number
		return "hardly any current"
	}
	return quantity.Duration(time.Duration(max(0, seconds)*float64(time.Second)).Round(time.Minute)) + " to go"
}

// finish sets the figures of the run that has ended against the truth, and says whether the demonstration succeeded: the target is
// reached, and the truth lies within the expanded uncertainty (k = 2) of the counted charge, the gaps included.
func (d *demonstration) finish(s *snapshot.Cell, truth simulated.Truth, scenario *simulated.Scenario) error {
	off := "NOT verified"
	if s.OffVerified {
		off = "verified by read-back"
	}
	c := &s.Charge
	d.say("\nThe run ended after %.2f h: %s. Output off: %s. Notifications received: %d.", s.Elapsed.Hours(), cmp.Or(s.EndedWhy, "the night ended"), off, d.received)
	if len(scenario.Expect) > 0 {
		d.say("Scenario %s: expected alarm %s; raised: %s.", scenario.Name, strings.Join(scenario.Expect, " or "), strings.Join(d.told, ", "))
	}
	d.say("\n%-10s %22s %16s", "", "counted", "truly")
	d.say("%-10s %21s %16.3f A·h  (k = %d; target %.3f A·h)", "charge",
		quantity.WithDoubt(c.CountedCoulombs/3600, integrate.CoverageFactor*c.UncertaintyCoulombs/3600), truth.Charge/3600, integrate.CoverageFactor, s.PlannedTarget/3600)
	d.say("%-10s %21.2f %16.2f W·h", "energy", c.EnergyJoules/3600, truth.Energy/3600)
	d.say("%-10s %21.2f %16.2f g   (estimated at the stated current efficiency)", "deposit", s.Bath.DepositGrams, truth.DepositGrams)
	d.say("\nRun log: %s\nCheck it with: nightcell verify %[1]s", s.Run)
	switch beyond := c.CountedCoulombs - truth.Charge; {
	case !c.TargetReached:
		return fmt.Errorf("the target was not reached: %s", cmp.Or(s.EndedWhy, "the night ended first"))
	case !(math.Abs(beyond) <= integrate.CoverageFactor*c.UncertaintyCoulombs):
		return fmt.Errorf("the counted charge is off by %.3g C, more than its expanded uncertainty of %.3g C", beyond, integrate.CoverageFactor*c.UncertaintyCoulombs)
	}
	return nil
}
