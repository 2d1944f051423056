// Package history keeps, for each cell, a down-sampled series of its newest run that
// a page can draw at once, however long the run: least and greatest volts and amperes
// per bucket, so that no spike is lost, the counted charge, the gaps, and what
// happened. It reads the run logs by cursor, off the polling path, and is rebuilt from
// them at every start: nothing in it needs to be kept. Whoever asks has it catch up with
// the log; while nobody does, that is rarely needed.
package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"nightcell/daemon/runlog"
)

// History keeps the series of all cells. Its methods may be called from many goroutines.
type History struct {
	// Every is the least time between two looks at a log, each of which opens it if it has grown. Set it before Run.
	Every time.Duration
	data  string
	log   *slog.Logger
	scans *semaphore.Weighted // bounds how many stretches of log are read at a time

	mu    sync.Mutex
	cells map[string]*cell
	old   map[string]*series // of earlier runs, by folder, on demand
}

// cell is one cell's newest run. Who has the turn writes; mu keeps readers out meanwhile.
type cell struct {
	dir string // of the cell's runs

	turn   sync.Mutex
	looked time.Time // when somebody last had it

	mu     sync.Mutex
	run    string // name of the run's folder; empty before the first
	series *series
	offset int64 // of the log, read so far
	whole  bool  // everything that was there has been read once
}

const (
	unasked  = 60   // times Every, between two looks that nobody asks for, which leave little for who does
	batch    = 4096 // records that are taken in while readers wait
	mostOld  = 3    // series of earlier runs that are kept
	mostScan = 2    // logs that are scanned at a time for windows and earlier runs
)

// New returns a History of the cells whose run logs a directory holds. It knows nothing yet; call Run.
func New(data string, cells []string, log *slog.Logger) *History {
	h := &History{
		Every: min(max(time.Duration(len(cells))*25*time.Millisecond, time.Second), 5*time.Second), data: data, log: log,
		cells: make(map[string]*cell), scans: semaphore.NewWeighted(mostScan), old: make(map[string]*series),
	}
	h.Follow(cells)
	return h
}

// Follow takes in cells that came later.
func (h *History) Follow(cells []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, name := range cells {
		if h.cells[name] == nil {
			h.cells[name] = &cell{dir: runlog.CellDir(h.data, name), series: newSeries()}
		}
	}
}

// of returns the series of a cell; nil: it is not followed.
func (h *History) of(name string) *cell {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.cells[name]
}

// all are the cells at this moment.
func (h *History) all() map[string]*cell {
	h.mu.Lock()
	defer h.mu.Unlock()
	return maps.Clone(h.cells)
}

// Run follows the logs until ctx ends.
func (h *History) Run(ctx context.Context) {
	tick := time.NewTicker(unasked * h.Every)
	defer tick.Stop()
	said := make(map[string]string)
	for {
		for name, c := range h.all() {
			err := c.catchUp(ctx)
			if ctx.Err() != nil {
				return
			}
			if err == nil {
				delete(said, name)
			} else if said[name] != err.Error() { // once for each trouble
				said[name] = err.Error()
				h.log.Warn("the history of a cell cannot be read", "cell", name, "err", err)
			}
		}
		select { // ends with ctx; the ticker always comes
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// ask returns a cell whose series is no older than Every, or as far as another has brought it, who is at it just now; nil: it is not
// followed. What it cannot read is said by Run.
func (h *History) ask(name string) *cell {
	c := h.of(name)
	if c == nil || !c.turn.TryLock() {
		return c
	}
	defer c.turn.Unlock()
	if c.whole && time.Since(c.looked) >= h.Every { // Run alone reads a log of weeks
		_ = c.look(context.Background())
	}
	return c
}

// catchUp is look for one who has no turn yet.
func (c *cell) catchUp(ctx context.Context) error {
	c.turn.Lock()
	defer c.turn.Unlock()
	return c.look(ctx)
}

// look takes in what the newest run's log has gained. A run that has stopped growing may have a successor.
func (c *cell) look(ctx context.Context) error {
	c.looked = time.Now()
	if c.run != "" {
		grown, err := c.grown()
		if err != nil {
			return err
		}
		if grown {
			return c.read(ctx)
		}
	}
	runs, err := runlog.Runs(c.dir)
	if err != nil {
		return err
	}
	if len(runs) == 0 {
		c.mu.Lock()
		c.whole = true
		c.mu.Unlock()
		return nil
	}
	newest := runs[len(runs)-1]
	if newest == c.run {
		return nil
	}
	c.mu.Lock()
	c.run, c.series, c.offset, c.whole = newest, newSeries(), 0, false
	c.mu.Unlock()
	return c.read(ctx)
}

func (c *cell) grown() (bool, error) {
	info, err := os.Stat(filepath.Join(c.dir, c.run, runlog.LogName))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil // it was removed; what was read of it stays in view until there is another
	}
	if err != nil {
		return false, fmt.Errorf("measuring the log of a run: %w", err)
	}
	return info.Size() > c.offset, nil
}

// read takes in the log from where the last read ended.
func (c *cell) read(ctx context.Context) error {
	err := withLog(filepath.Join(c.dir, c.run), c.offset, func(r *runlog.Reader) (err error) {
		for more := true; more && err == nil && ctx.Err() == nil; {
			c.mu.Lock()
			more, err = c.series.take(r, batch)
			c.offset = r.Offset()
			c.whole = c.whole || !more
			c.mu.Unlock()
		}
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil // the run's folder is made before its log
	}
	return err
}

// withLog reads the log of a run from a place in it on.
func withLog(dir string, offset int64, read func(*runlog.Reader) error) error {
	r, err := runlog.Open(dir)
	if err != nil {
		return err
	}
	if err = r.SeekTo(offset); err == nil {
		err = read(r)
	}
	return errors.Join(err, r.Close())
}
