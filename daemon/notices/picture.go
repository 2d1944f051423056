package notices

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
)

const (
	pictureHours = 6 * time.Hour
	pictureBytes = 8 << 20
)

// Picture draws the hours before a notice, or before it is told once more, from the log of the run that it belongs to,
// which may have ended since. It is called by the routes' goroutines.
func Picture(ctx context.Context, dataDir, cell string, n routes.Notice) ([]byte, error) {
	cellDir := runlog.CellDir(dataDir, cell)
	run, err := RunAt(cellDir, n.At)
	if err != nil {
		return nil, err
	}
	until := n.At
	if !n.Sent.IsZero() {
		until = n.Sent
	}
	if run == "" {
		return nil, nil
	}
	series := report.Series{Title: cell, Mark: n.Since, Location: time.Local}
	if err := ReadSeries(ctx, filepath.Join(cellDir, run), until.Add(-pictureHours), until, &series); err != nil {
		return nil, err
	}
	if len(series.At) < 2 {
		return nil, nil
	}
	return series.Draw()
}

// RunAt is the folder of the run that was open in a cell's folder at a moment; "" if none was.
func RunAt(cellDir string, at time.Time) (run string, err error) {
	names, err := runlog.Runs(cellDir)
	for _, name := range names {
		if began, err := runlog.Began(name); err == nil && !began.After(at) {
			run = name
		}
	}
	return run, err
}

// ReadSeries reads volts and amperes between two moments from the end of a run's log.
func ReadSeries(ctx context.Context, run string, since, until time.Time, to *report.Series) error {
	info, err := os.Stat(filepath.Join(run, runlog.LogName))
	if err != nil {
		return fmt.Errorf("measuring the log: %w", err)
	}
	err = runlog.Scan(run, max(0, info.Size()-pictureBytes), func(r *runlog.Record, _ *runlog.Reader) bool {
		if r.Kind == runlog.KindReading && !r.Time().Before(since) && !r.Time().After(until) {
			to.At, to.Volts, to.Amperes = append(to.At, r.Time()), append(to.Volts, r.Volts), append(to.Amperes, r.Amperes)
		}
		return !r.Time().After(until) && ctx.Err() == nil
	})
	return errors.Join(err, ctx.Err())
}
