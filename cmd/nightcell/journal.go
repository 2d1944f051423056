package main

import (
	"bytes"
	"io"
	"log/slog"
	"os"

	"github.com/coreos/go-systemd/v22/journal"
)

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
