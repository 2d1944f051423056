package main

import (
	"cmp"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"text/template"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/daemon"
	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
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
	data     string
	listen   string
	scenario string
	speed    float64
	seed     int64
	json     bool
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
	flags.BoolVar(&f.json, "json", false, "print the summary as one JSON object on standard output")
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
	f.refill(scenario, dir)
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
	inbox := new(inbox)
	phone := httptest.NewServer(inbox)
	defer phone.Close()
	cfg, text, err := f.configure(dir, port.Path(), phone.URL)
	if err != nil {
		return err
	}
	show := newDemoShow(s, f, port.Path(), dir)
	limit := cmp.Or(time.Duration(scenario.Duration), longestDemo)
	sum, err := f.watch(ctx, cfg, text, instrument, clock, limit, show, inbox)
	if err != nil {
		return errors.Join(err, port.Close())
	}
	phone.Close() // nothing is written to the inbox any more
	sum.compare(instrument.Truth(1))
	sum.Scenario, sum.Expected, sum.Told = scenario.Name, append([]string{}, scenario.Expect...), append([]string{}, inbox.told...)
	sum.NoticesReceived = inbox.n
	if err := port.Close(); err != nil {
		return fmt.Errorf("closing the simulated supply: %w", err)
	}
	return show.finish(sum)
}

// loadScenario returns the scenario asked for, or the demonstration's own: the output
// is off at first, as at a bench where the watch is started before the charge.
func (f *demoFlags) loadScenario() (*simulated.Scenario, error) {
	s, err := simulated.ParseScenario("demo", []byte(demoScenario))
	if f.scenario != "" {
		s, err = simulated.LoadScenario(f.scenario)
	}
	if err != nil {
		return nil, err
	}
	s.Supply.Output = "off" // whatever the night brings, it begins as at a bench
	return s, nil
}

// refill lets the simulated bath be what the run before left in it, as its ledger has it.
func (f *demoFlags) refill(scenario *simulated.Scenario, dir string) {
	b, err := ledger.ReadBath(dir, demoCell)
	if f.scenario != "" || err != nil || !b.Open || b.Side == nil {
		return
	}
	grams, litres := b.Side.Concentration().Value, b.Side.Volume().Value*1e3
	scenario.Cell.GramsPerL, scenario.Cell.Litres = &grams, &litres
}

const demoScenario = `
name = "demo"
note = "invented data: the output is off until the operator switches it on"
duration = "24 h"
`

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
	if run, ended, err := runlog.LatestRun(f.data, demoCell); err == nil && !ended {
		return "", fmt.Errorf("--data %s contains the open run of another demonstration (%s); choose another directory", f.data, run)
	}
	return filepath.Abs(f.data)
}

// checkListen tries the address in a configuration, before anything is made.
func (f *demoFlags) checkListen() error {
	_, _, err := f.configure("data", "port", "http://127.0.0.1:1/")
	var mistakes configs.Mistakes
	if !errors.As(err, &mistakes) {
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

// watch runs the daemon until its run has ended, or ctx.
func (f *demoFlags) watch(ctx context.Context, cfg *configs.Config, text string, bench *simulated.Instrument, clock drivers.Clock, limit time.Duration, show *demoShow, inbox *inbox) (*demoSummary, error) {
	log := slog.New(slog.NewTextHandler(show.log, &slog.HandlerOptions{Level: slog.LevelWarn}))
	ready := make(chan struct{})
	d, err := daemon.New(daemon.Options{
		Config: cfg, Clock: clock, Version: version(), Log: log, Ready: func() { close(ready) },
	})
	if err != nil {
		return nil, err
	}
	// Only now is the data directory ours alone.
	if err := os.WriteFile(filepath.Join(cfg.Data, configName), []byte(text), 0o640); err != nil {
		return nil, fmt.Errorf("writing the configuration: %w", err)
	}
	if show.before, _, err = runlog.LatestRun(cfg.Data, demoCell); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	watching, stop := context.WithCancel(ctx)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- d.Run(watching) }()
	select { // ends when the daemon is ready or has failed
	case <-ready:
	case err := <-ended:
		return nil, err
	}
	show.begin(d.Address())
	last, err := f.follow(ctx, d, bench, clock, limit, show, inbox, ended)
	if err != nil {
		return nil, err
	}
	flush, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := d.Flush(flush); err != nil {
		log.Warn("notices", "err", err)
	}
	show.notices(inbox.take())
	stop()
	if err := <-ended; err != nil {
		return nil, err
	}
	return summarise(last, f.speed), nil
}

// follow shows the run as it goes on and returns its last snapshot.
func (f *demoFlags) follow(ctx context.Context, d *daemon.Daemon, bench *simulated.Instrument, clock drivers.Clock, limit time.Duration, show *demoShow, inbox *inbox, ended chan error) (*snapshot.Cell, error) {
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
			return nil, errors.New("interrupted; the run log is in " + show.dir)
		case <-tick.C:
		}
		show.notices(inbox.take())
		all := d.Snapshots()
		if len(all) == 0 {
			continue
		}
		s := all[0]
		if s.Waiting && (!s.Ended || s.Run == show.before) {
			if s.Poll.Good >= demoZero {
				bench.Handle([]byte("OUTP ON")) // as a hand at the front panel would; nightcell never does
			}
			if clock.Now() <= limit {
				continue
			}
		}
		show.progress(s)
		if s.Ended || clock.Now() > limit {
			return s, nil
		}
	}
}
