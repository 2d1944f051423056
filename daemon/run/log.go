package run

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
)

const (
	diskEvery = time.Minute      // run time between looks at the free space and for late entries
	lookEvery = 10 * time.Second // between looks whether the log still lies where it is written
	// checkpointEvery bounds what a kill can make the alarms forget; the coulometer and the
	// alarm states themselves lose nothing. A checkpoint is some 13 KB, so it is not written oftener.
	checkpointEvery = 5 * time.Minute
)

// logOptions are those of the run log; its pace is the run's own clock.
func (r *Run) logOptions() runlog.Options {
	every := cmp.Or(r.settings.Checkpoints, checkpointEvery)
	return runlog.Options{
		Sync: r.settings.Sync, CheckpointEvery: every, FS: r.settings.FS,
		Now: func() time.Time { return time.Unix(0, int64(r.time.told.Mono)) },
	}
}

// writeGap writes a gap with its evidence, and what the chemistry makes of it.
func (r *Run) writeGap(utc time.Time, step *integrate.Step, e *integrate.Evidence) {
	r.settings.Log.Warn("gap", "cell", r.settings.Cell, "length", step.Elapsed.Round(time.Millisecond),
		"best_coulombs", math.Round(step.Gap.Best), "low_coulombs", math.Round(step.Gap.Low), "high_coulombs", math.Round(step.Gap.High))
	r.note(r.log.Gap(utc, r.kindOfGap(), step.Gap, *e))
	text := interruption(r.settings.Chemistry, step.Gap, e.OnBefore)
	if e.LineLost {
		text = "contact with the supply was lost and regained, as after a power failure; " + text
	}
	r.note(r.log.Entry(utc, "remark", text))
}

// lookAtLog looks at the log's health and, now and then, at its place and the free space.
func (r *Run) lookAtLog() {
	now := r.now()
	if now >= r.lookAt {
		r.lookAt = now + lookEvery
		r.log.Look()
	}
	if cause := r.log.Health().Cause; errors.Is(cause, runlog.ErrDisplaced) {
		r.beginLogAnew(cause)
	}
	if cause := r.log.Health().Cause; (cause != nil) != r.logWaiting {
		r.logWaiting = cause != nil
		if r.logWaiting {
			r.settings.Log.Error("the run log cannot be written; lines are waiting in memory", "cell", r.settings.Cell, "err", cause)
		} else {
			r.settings.Log.Info("the run log is written again", "cell", r.settings.Cell)
		}
	}
	if r.diskAt == 0 || now-r.diskAt >= diskEvery {
		free := r.settings.Free
		if free == nil {
			free = freeBytes
		}
		r.diskAt, r.diskFree = now, free(r.dir)
		if followed, _ := r.followLate(); followed { // trouble is told when the run is taken up
			r.Reckon() // what is left may have moved, and the target is looked at in this round
			r.checkpoint()
		}
	}
}

// beginLogAnew goes on in another log when the present one can no longer be found where it was written.
// The charge and all that was learned come over in a checkpoint.
func (r *Run) beginLogAnew(cause error) {
	utc := r.utc()
	before := r.dir
	r.altered = fmt.Sprintf("%v; counting continues in a new log; readings before %s are in the missing one", cause, utc.UTC().Format(time.RFC3339))
	field, err := r.remember().field()
	if err == nil {
		err = r.log.Anew(utc, r.altered, r.settings.Frozen, r.count, field)
	}
	r.note(err)
	r.dir, r.diskAt = r.log.Run(), 0
	r.alteredAgain()
	r.settings.Log.Error("the run log was removed, replaced or cut; a new one continues from the charge counted so far", "cell", r.settings.Cell, "err", cause, "before", before, "run", r.dir)
}

// alteredAgain raises the alarm anew where somebody has acknowledged what happened to the log before.
func (r *Run) alteredAgain() {
	ch, err := r.alarms.Reannounce(alerts.LogAltered, "nightcell", r.utc())
	if err != nil {
		return // it is not acknowledged, so it stands or is raised with the next reading
	}
	ch.Text = r.altered
	r.follow([]alerts.Change{ch})
}

// Sync makes all that is written durable. What the disk does not take shows in the log's health.
func (r *Run) Sync() { _ = r.log.Sync() }

// Close leaves the run open for the next process: synced, with a last checkpoint. The error says what is not safe.
func (r *Run) Close(f *Facts) error {
	r.Learn(f)
	err := errors.Join(
		r.log.Entry(r.utc(), "stopped", "nightcell is stopping; the run stays open"),
		r.writeCheckpoint(),
		r.log.Close())
	if err != nil {
		return fmt.Errorf("the run log is not safe on the disk: %w", err)
	}
	return nil
}
