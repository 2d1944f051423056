package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

const (
	pictureHours = 6 * time.Hour
	pictureBytes = 8 << 20
)

// picture draws the hours before a notice from the run log.
func (c *Cell) picture(ctx context.Context, n routes.Notice) ([]byte, error) {
	s := c.Latest()
	if s == nil || s.Run == "" {
		return nil, nil
	}
	series := routes.Series{Title: c.set.Cell, Mark: n.Since, Location: time.Local}
	if err := readSeries(ctx, s.Run, n.At.Add(-pictureHours), &series); err != nil {
		return nil, err
	}
	if len(series.At) < 2 {
		return nil, nil
	}
	return routes.Draw(series)
}

// readSeries reads volts and amperes since a moment from the end of a run's log.
func readSeries(ctx context.Context, run string, since time.Time, to *routes.Series) (err error) {
	r, err := runlog.Open(filepath.Clean(run))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	info, err := os.Stat(filepath.Join(run, runlog.LogName))
	if err != nil {
		return fmt.Errorf("measuring the log: %w", err)
	}
	if err := r.SeekTo(max(0, info.Size()-pictureBytes)); err != nil {
		return err
	}
	var rec runlog.Record
	for ctx.Err() == nil {
		err := r.Next(&rec)
		var damage *runlog.Damage
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.As(err, &damage):
			continue
		case err != nil:
			return err
		case rec.Kind != runlog.KindReading || rec.Time().Before(since):
			continue
		}
		to.At = append(to.At, rec.Time())
		to.Volts = append(to.Volts, rec.Volts)
		to.Amperes = append(to.Amperes, rec.Amperes)
	}
	return ctx.Err()
}
