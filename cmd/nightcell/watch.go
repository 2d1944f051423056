package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime"
	"strings"
	"syscall"
	"time"

	sddaemon "github.com/coreos/go-systemd/v22/daemon"
	"github.com/coreos/go-systemd/v22/journal"
	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/daemon"
	"nightcell/daemon/page/sentence"
	"nightcell/drivers"
)

// watchFlags are the flags of nightcell watch.
type watchFlags struct {
	config, record string
	speed          float64
	verbose        bool
}

func newWatchCommand(s *shell) *cobra.Command {
	var f watchFlags
	cmd := newCommand("watch", func(cmd *cobra.Command, _ []string) error { return f.run(cmd.Context(), s) })
	flags := cmd.Flags()
	flags.StringVar(&f.config, "config", "", "configuration `file` (TOML)")
	flags.Float64Var(&f.speed, "speed", 1, "clock speed as a multiple of real time, for rehearsals with nightcell simulate")
	flags.BoolVar(&f.verbose, "verbose", false, "log every rejected answer too")
	recordFlag(flags, &f.record)
	return cmd
}

func (f *watchFlags) run(ctx context.Context, s *shell) error {
	if f.config == "" {
		return usagef("--config is missing; name the configuration file, such as --config nightcell.toml")
	}
	if err := clockable(f.speed); err != nil {
		return err
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0)) // what takeProcessors took, of a process that goes on as a test's does
	reloads := make(chan os.Signal, 1)
	signal.Notify(reloads, syscall.SIGHUP) // before anything that takes time: unheeded, the signal would end the process
	defer signal.Stop(reloads)
	log, clock := newLog(s.err, f.verbose), drivers.NewClock(f.speed)
	load := func() (*configs.Config, error) {
		cfg, err := configs.Load(f.config)
		if err == nil {
			for _, m := range cfg.Notes {
				log.Warn("configuration", "note", m.Error())
			}
			takeProcessors(len(cfg.Cells))
		}
		return cfg, err
	}
	cfg, err := load()
	if err != nil {
		return usageError{err}
	}
	if open := cfg.Unfilled(); len(open) > 0 {
		return usageError{open}
	}
	for _, m := range cfg.Exposed() {
		log.Warn("other users can read a secret", "where", m.Error())
	}
	record, err := beginRecord(s, f.record)
	if err != nil {
		return err
	}
	defer record.Close()
	var fed func() // nil, and nobody wakes for it, unless systemd has asked to be told
	supervised := os.Getenv("NOTIFY_SOCKET") != ""
	if supervised {
		fed = func() { tellSystemd(log, sddaemon.SdNotifyWatchdog) }
	}
	d, err := daemon.New(daemon.Options{
		Record: record, Config: cfg, Clock: clock, Version: version(), Log: log,
		Load: load,
		Ready: func() {
			tellSystemd(log, sddaemon.SdNotifyReady)
			log.Info("watching", "cells", len(cfg.Cells), "data", cfg.Data)
		},
		Sparing: runtime.GOMAXPROCS(0) == 1,
		Fed:     fed,
	})
	if err != nil {
		return err
	}
	watching, done := context.WithCancel(ctx)
	defer done()
	go reloadOn(watching, reloads, d, log)
	if supervised {
		go tellState(watching, d, clock.UTC, log)
	}
	err = d.Run(ctx)
	tellSystemd(log, sddaemon.SdNotifyStopping)
	return err
}

// takeProcessors leaves few cells to one processor, unless the environment says how many: on more, the runtime wakes
// the others up at every poll for work that is done by then. Each goroutine that is busy meanwhile, as with a page, may delay a poll by the
// runtime's time slice of 10 ms.
func takeProcessors(cells int) {
	const few = 8
	switch {
	case os.Getenv("GOMAXPROCS") != "": // it holds as it is, which asking for the default would undo
	case cells <= few:
		runtime.GOMAXPROCS(1)
	default:
		runtime.SetDefaultGOMAXPROCS()
	}
}

// reloadOn reads the configuration anew at each signal, until ctx ends.
func reloadOn(ctx context.Context, signals <-chan os.Signal, d *daemon.Daemon, log *slog.Logger) {
	for {
		select { // ends with ctx
		case <-ctx.Done():
			return
		case <-signals:
			tellSystemd(log, sddaemon.SdNotifyReloading)
			if err := d.Reload(ctx); err != nil {
				log.Error("reload", "err", err)
			}
			tellSystemd(log, sddaemon.SdNotifyReady)
		}
	}
}

// tellState keeps what systemctl status shows at what the page says of every cell, until ctx ends.
func tellState(ctx context.Context, d *daemon.Daemon, now func() time.Time, log *slog.Logger) {
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for {
		select { // ends with ctx; the ticker always comes
		case <-ctx.Done():
			return
		case <-tick.C:
			var said []string
			for _, c := range d.Snapshots() {
				said = append(said, sentence.Of(c, now(), time.Local).String())
			}
			if len(said) > 0 {
				tellSystemd(log, "STATUS="+strings.Join(said, " "))
			}
		}
	}
}

// tellSystemd does nothing where systemd has not asked to be told.
func tellSystemd(log *slog.Logger, state string) {
	if _, err := sddaemon.SdNotify(false, state); err != nil {
		log.Warn("notifying systemd", "state", state, "err", err)
	}
}

// newLog writes one event a line. In systemd's journal, which keeps level and time itself, a line begins with its
// priority (sd-daemon(3)) and has no time.
func newLog(w io.Writer, verbose bool) *slog.Logger {
	inJournal := false
	if w == os.Stderr {
		inJournal, _ = journal.StderrIsJournalStream() // who cannot tell is in no journal
	}
	return logTo(w, verbose, inJournal)
}

func logTo(w io.Writer, verbose, inJournal bool) *slog.Logger {
	o := &slog.HandlerOptions{Level: slog.LevelInfo}
	if verbose {
		o.Level = slog.LevelDebug
	}
	if inJournal {
		o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) == 0 && a.Key == slog.TimeKey && a.Value.Kind() == slog.KindTime {
				return slog.Attr{}
			}
			return a
		}
		w = prioritised{w}
	}
	return slog.New(slog.NewTextHandler(w, o))
}

// priorities are those of syslog (RFC 5424, 6.2.1) for the levels of slog, as a line without a time begins with them.
var priorities = map[string]string{"level=DEBUG": "<7>", "level=INFO": "<6>", "level=WARN": "<4>", "level=ERROR": "<3>"}

// prioritised puts the priority in the place of the level. The handler writes each line at once.
type prioritised struct{ to io.Writer }

func (p prioritised) Write(line []byte) (int, error) {
	level, rest, found := bytes.Cut(line, []byte(" "))
	if priority, known := priorities[string(level)]; found && known {
		if _, err := p.to.Write(append([]byte(priority), rest...)); err != nil {
			return 0, err
		}
		return len(line), nil
	}
	return p.to.Write(line)
}
