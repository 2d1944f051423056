package run

import (
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

// Resume continues the cell's open run, or takes up in past what the run that ended last left to be done. It
// returns nil when no run is open. The dark time becomes a gap with the first reading.
func Resume(s *Settings, f Facts, past *Past) (*Run, error) {
	dir, ended, err := runlog.LatestRun(s.DataDir, s.Cell)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("looking for the run before: %w", err)
	}
	r := blank(s)
	r.time.told = f.Moment
	log, tail, err := runlog.Resume(dir, r.logOptions())
	switch {
	case err == nil:
	case ended:
		s.Log.Warn("what the run before left to be done cannot be read", "cell", s.Cell, "run", dir, "err", err)
		return nil, nil
	case errors.Is(err, fs.ErrNotExist):
		s.Log.Warn("a run has no log: the power went while it was being made", "cell", s.Cell, "run", dir)
		return nil, nil
	default:
		return nil, fmt.Errorf("taking up the run in %s: %w", dir, err)
	}
	if tail.Coulometer == nil || tail.Ended && !ended {
		return nil, log.Close()
	}
	r.dir, r.log, r.count = dir, log, tail.Coulometer
	if r.began, err = cursor.Began(dir); err != nil {
		return nil, errors.Join(fmt.Errorf("taking up the run in %s: %w", dir, err), log.Close())
	}
	m, err := memoryOf(tail)
	if ended {
		return nil, past.resume(r, m)
	}
	if err != nil {
		// The charge stands without it; only what was learned of the cell is learned anew.
		s.Log.Warn("the watch's memory cannot be read and is begun anew", "cell", s.Cell, "err", err)
	}
	r.resume(f, tail, m)
	return r, nil
}

// resume puts the run back on its feet. The memory is nil where it cannot be read.
func (r *Run) resume(f Facts, tail *runlog.Tail, m *memory) {
	r.supply, r.fresh, r.resumed = f.Supply, true, true
	r.noticed = time.Unix(0, tail.LastNanos)
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
			mark.Since = m.Mark.Since + time.Duration(float64(last.At-time.Duration(elapsed))/r.settings.Speed)
			mark.Doubt = m.Mark.Doubt
		}
		if err := r.recall(*m); err != nil {
			r.settings.Log.Warn("part of the watch's memory cannot be used; that part is begun anew", "cell", r.settings.Cell, "err", err)
		}
	}
	r.atRest = r.count.State().Zero.Amperes
	if tail.Last.Nanos != 0 { // newer than the memory
		r.lastOn = r.live(drivers.Reading{Amperes: drivers.Amperes(tail.Last.Amperes), Output: drivers.ParseOutput(tail.Last.Output)})
	}
	var dark time.Duration
	var known bool
	r.time, dark, known = resumeTimeline(f.Moment, r.settings.Speed, mark)
	r.lastGood, r.lastLive = last.At, last.At
	if m != nil {
		restored, err := alerts.Restore(r.settings.Limits, r.settings.Chemistry, m.Alarms, r.now())
		if err != nil {
			r.settings.Log.Warn("the alarms' memory cannot be used and is begun anew", "cell", r.settings.Cell, "err", err)
		} else {
			r.alarms = restored
		}
	}
	r.catchUp(tail)
	if _, err := r.followLate(); err != nil {
		r.settings.Log.Warn("what was entered beside the log cannot be read", "cell", r.settings.Cell, "err", err)
	}
	r.Reckon()
	text := fmt.Sprintf("nightcell was away for %v", dark.Round(time.Millisecond))
	if !known {
		text = "nightcell was away for a time that cannot be known: the wall clock stands before the newest reading and the machine was started anew; once that clock is set the gap is booked, until then the charge of that time is missing"
	}
	if tail.Last.Nanos == 0 {
		text += "; it had been killed before the first reading was written, so what flowed since the run began is not counted"
	}
	r.settings.Log.Info("run goes on", "cell", r.settings.Cell, "run", r.dir, "away", dark, "cut_bytes", tail.CutBytes, "damage", len(tail.Damage))
	r.note(r.log.Entry(r.utc(), "resumed", text, runlog.Integer("dark", int64(dark)), runlog.Flag("known", known)))
	if d := tail.Doubt; d != nil {
		r.altered = d.Reason
		r.alteredAgain()
		r.settings.Log.Error("the end of the run log contradicts itself", "cell", r.settings.Cell, "run", r.dir, "err", d.Reason)
	}
	r.relist()
	r.checkpoint()
}

// catchUp lets the bath follow what was logged after the last checkpoint, and all of it if there was no memory.
func (r *Run) catchUp(tail *runlog.Tail) {
	p := r.settings.Plan
	if p == nil {
		return
	}
	r.followEntries(tail.Records)
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
