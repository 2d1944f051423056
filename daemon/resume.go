package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// checkpointEvery bounds what a kill can make the alarms forget; the coulometer and the
// alarm states themselves lose nothing. A checkpoint is some 13 KB, so it is not written oftener.
const checkpointEvery = 5 * time.Minute

// logOptions are those of the run log; its pace is the run's own clock.
func (c *Cell) logOptions() runlog.Options {
	return runlog.Options{
		Sync: c.set.Sync, CheckpointEvery: c.checkpoints, FS: c.set.FS,
		Now: func() time.Time { return time.Unix(0, int64(c.m.now())) },
	}
}

// pickUp continues the cell's open run, if it has one, at its first call. The dark time
// becomes a gap with the first reading.
func (c *Cell) pickUp() error {
	if c.picked {
		return nil
	}
	c.picked = true
	dir, ended, err := runlog.LatestRun(c.set.DataDir, c.set.Cell)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("looking for the run before: %w", err)
	case ended:
		return c.pickUpEnd(dir)
	}
	log, tail, err := runlog.Resume(dir, c.logOptions())
	if errors.Is(err, fs.ErrNotExist) {
		c.set.Log.Warn("a run has no log: the power went while it was being made", "cell", c.set.Cell, "run", dir)
		return nil
	}
	if err != nil {
		return fmt.Errorf("taking up the run in %s: %w", dir, err)
	}
	if tail.Ended || tail.Coulometer == nil {
		c.last = dir
		return log.Close()
	}
	r := &run{
		dir: dir, log: log, count: tail.Coulometer, diskFree: math.NaN(), set: unknownSetPoints, seen: -1, told: time.Unix(0, tail.LastNanos),
		fresh: true, resumed: true, acted: make(map[alerts.Condition]bool),
	}
	if r.began, err = cursor.Began(dir); err != nil {
		return fmt.Errorf("taking up the run in %s: %w", dir, err)
	}
	m, err := memoryOf(tail)
	if err != nil {
		// The charge stands without it; only what was learned of the cell is learned anew.
		c.set.Log.Warn("the watch's memory cannot be read and is begun anew", "cell", c.set.Cell, "err", err)
	}
	c.resume(r, tail, m)
	return nil
}

// memoryOf reads the watch's memory from the last checkpoint.
func memoryOf(tail *runlog.Tail) (*memory, error) {
	if tail.Checkpoint == nil || tail.Checkpoint.Text(memoryField) == "" {
		return nil, errors.New("no checkpoint holds it")
	}
	m := new(memory)
	if err := json.Unmarshal([]byte(tail.Checkpoint.Text(memoryField)), m); err != nil {
		return nil, fmt.Errorf("reading the checkpoint: %w", err)
	}
	return m, nil
}

// resume puts the run back on its feet.
func (c *Cell) resume(r *run, tail *runlog.Tail, m *memory) {
	last, _ := r.count.Last()
	// The dark begins with the last reading; what was written after it, while the
	// supply was silent, only tells how far the wall clock had come.
	mark := landmark{At: last.At, UTC: time.Unix(0, tail.LastNanos).UTC(), newest: time.Unix(0, tail.LastNanos)}
	if tail.Last.Nanos != 0 {
		mark.UTC = time.Unix(0, tail.Last.Nanos).UTC()
	}
	if m != nil {
		if m.Mark.Boot != "" { // carry the checkpoint's landmark on to the last reading
			// The landmark's own run time begins before the first reading where that came late.
			elapsed, _ := tail.Checkpoint.Integer("elapsed")
			mark.Boot = m.Mark.Boot
			mark.Since = m.Mark.Since + time.Duration(float64(last.At-time.Duration(elapsed))/c.m.clock.Speed())
			mark.Doubt = m.Mark.Doubt
		}
		if err := r.recall(c, *m); err != nil {
			c.set.Log.Warn("part of the watch's memory cannot be used; that part is begun anew", "cell", c.set.Cell, "err", err)
		}
	}
	c.atRest = r.count.State().Zero.Amperes
	if tail.Last.Nanos != 0 { // newer than the memory
		r.lastOn = c.live(drivers.Reading{Amperes: drivers.Amperes(tail.Last.Amperes), Output: drivers.ParseOutput(tail.Last.Output)})
	}
	var dark time.Duration
	var known bool
	r.time, dark, known = resumeTimeline(c.m, mark)
	r.lastGood, r.lastLive = last.At, last.At
	r.alarms = alerts.NewBoard(c.set.Limits, c.set.Chemistry)
	if m != nil {
		restored, err := alerts.Restore(c.set.Limits, c.set.Chemistry, m.Alarms, r.time.now())
		if err != nil {
			c.set.Log.Warn("the alarms' memory cannot be used and is begun anew", "cell", c.set.Cell, "err", err)
		} else {
			r.alarms = restored
		}
	}
	if p := c.set.Plan; p != nil {
		r.followEntries(c, tail.Records)
		// What was counted after the checkpoint, and all of it if there was no memory.
		t := r.count.Totals()
		if behind := t.Charge - r.shunted - p.Model.Charge(); behind != 0 {
			seconds := math.Max(t.Elapsed.Seconds()-p.Model.State().Seconds, 0)
			if r.shorted() {
				r.shunted += behind
			} else {
				p.Model.Step(behind, math.Max(seconds, 1e-9))
			}
		}
	}
	c.run = r
	r.reckon(c)
	utc := r.time.stamp(r.time.now())
	text := fmt.Sprintf("nightcell was away for %v", dark.Round(time.Millisecond))
	if !known {
		text = "nightcell was away for a time that cannot be known: the wall clock stands before the newest reading and the machine was started anew; once that clock is set the gap is booked, until then the charge of that time is missing"
	}
	if tail.Last.Nanos == 0 {
		text += "; it had been killed before the first reading was written, so what flowed since the run began is not counted"
	}
	c.set.Log.Info("run goes on", "cell", c.set.Cell, "run", r.dir, "away", dark, "cut_bytes", tail.CutBytes, "damage", len(tail.Damage))
	r.note(c, r.log.Entry(utc, "resumed", text, runlog.Integer("dark", int64(dark)), runlog.Flag("known", known)))
	if d := tail.Doubt; d != nil {
		r.altered = d.Reason
		r.alteredAgain(c)
		c.set.Log.Error("the end of the run log contradicts itself", "cell", c.set.Cell, "run", r.dir, "err", d.Reason)
	}
	r.relist()
	r.note(c, r.checkpoint(c, utc))
}
