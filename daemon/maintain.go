package daemon

import (
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// attached writes down who answers, for whoever reads the log later.
func (r *run) attached(c *Cell, utc time.Time) {
	st := &c.link.status
	r.note(c, r.log.Entry(utc, "attached", "the supply answers as "+c.link.identity.String(),
		runlog.Flag("same", !c.link.swapped), runlog.Text("output", st.Output.String()),
		runlog.Number("set_volts", float64(st.SetVolts)), runlog.Number("set_amperes", float64(st.SetAmperes)),
		runlog.Number("limit_volts", float64(st.LimitVolts)), runlog.Number("limit_amperes", float64(st.LimitAmperes))))
}

// reattached is attached in an open run: it also sees whether the supply lost its settings meanwhile.
func (r *run) reattached(c *Cell) {
	st := &c.link.status
	now, before := float64(st.SetAmperes), float64(r.set.Amperes)
	r.supplyRestarted = !math.IsNaN(now) && !math.IsNaN(before) && now != before && st.Output == drivers.OutputOff
	r.attached(c, r.time.stamp(r.time.now()))
}

// watchDisk looks at the log's health and, now and then, at its place and the free space.
func (r *run) watchDisk(c *Cell) {
	if now := r.time.now(); now >= r.lookAt {
		r.lookAt = now + lookEvery
		r.log.Look()
	}
	if cause := r.log.Health().Cause; errors.Is(cause, runlog.ErrDisplaced) {
		r.beginLogAnew(c, cause)
	}
	waiting := r.log.Health().Cause != nil
	if waiting != r.logWaiting {
		r.logWaiting = waiting
		if waiting {
			c.set.Log.Error("the disk does not take the run log; lines wait in memory", "cell", c.set.Cell, "err", r.log.Health().Cause)
		} else {
			c.set.Log.Info("the disk takes the run log again", "cell", c.set.Cell)
		}
	}
	if now := r.time.now(); r.diskAt == 0 || now-r.diskAt >= diskEvery {
		r.diskAt, r.diskFree = now, freeBytes(r.dir)
	}
}

// beginLogAnew goes on in another log when the present one can no longer be found where it was written.
// The charge and all that was learned come over in a checkpoint.
func (r *run) beginLogAnew(c *Cell, cause error) {
	utc := r.time.stamp(r.time.now())
	before := r.dir
	r.altered = fmt.Sprintf("%v; counting goes on in another log, and the readings before %s are in the one that is missing", cause, utc.UTC().Format(time.RFC3339))
	memory, err := r.memoryField(c)
	if err == nil {
		err = r.log.Anew(utc, r.altered, c.set.Frozen, r.count, memory)
	}
	r.note(c, err)
	r.dir, r.diskAt = r.log.Run(), 0
	r.alteredAgain(c)
	c.set.Log.Error("the run log was removed, replaced or cut; another one is begun with everything counted so far", "cell", c.set.Cell, "err", cause, "before", before, "run", r.dir)
}

// alteredAgain raises the alarm anew where somebody has acknowledged what happened to the log before.
func (r *run) alteredAgain(c *Cell) {
	ch, err := r.alarms.Reannounce(alerts.LogAltered, "nightcell", r.time.stamp(r.time.now()))
	if err != nil {
		return // it is not acknowledged, so it stands or is raised with the next reading
	}
	ch.Text = r.altered
	r.follow(c, []alerts.Change{ch})
}

// maintain writes checkpoints when due and looks whether the target is reached or the run over.
func (r *run) maintain(c *Cell) {
	now := r.time.now()
	utc := r.time.stamp(now)
	if !r.reached && c.set.Plan != nil && r.totals.Readings > 1 && r.standing.Left <= 0 {
		r.reached = true
		r.note(c, r.log.Entry(utc, "target", fmt.Sprintf("the target is reached with %s A·h counted", quantity.WithDoubt(r.totals.Charge/3600, integrate.CoverageFactor*r.totals.StandardUncertainty/3600))))
		r.note(c, r.checkpoint(c, utc))
	}
	if r.log.CheckpointDue() {
		r.relist()
		r.note(c, r.checkpoint(c, utc))
	}
}

// end closes the run's books: nothing is counted after it.
func (r *run) end(c *Cell, why string) {
	now := r.time.now()
	utc := r.time.stamp(now)
	t := r.count.Totals()
	r.notice(c, utc, routes.Notice{Kind: routes.Ended, Priority: routes.Low, Subject: c.set.Cell + ": run ended", Text: "The run has ended: " + why + ".", Meaning: c.restMeaning()})
	if r.abort = r.abortOf(c, why, utc); r.abort != nil { // behind the notice of the end, which closes what stood before
		r.notice(c, utc, r.abort.notice(c, routes.Alarm, alerts.UNACK, "ended before its target: take the cathode out"))
	}
	r.note(c, r.checkpoint(c, utc))
	r.note(c, r.log.Entry(r.time.stamp(now), runlog.EntryEnd, why, runlog.Number("charge_coulombs", t.Charge), runlog.Number("energy_joules", t.Energy)))
	r.note(c, r.checkpoint(c, utc))
	c.set.Log.Info("run ends", "cell", c.set.Cell, "why", why, "charge_coulombs", t.Charge, "standard_uncertainty_coulombs", t.StandardUncertainty)
	r.shown = nil // alarms end with their run
	r.reckon(c)
	r.fill(c, &c.next)
	c.ended, c.last, c.run, c.final = why, r.dir, nil, c.next
	if r.abort != nil {
		c.leave(r.abort, r.log, r.count, r.remember(c))
		_ = r.log.Sync() // what the disk does not take shows in the log's health
	} else {
		c.ending = append(c.ending, r.log)
	}
	c.closeEnded()
	c.wake()
}

// closeEnded closes the logs of runs that have ended, once the disk has taken all of
// them; until then their lines wait in memory.
func (c *Cell) closeEnded() {
	if c.left != nil {
		log := c.left.log
		if c.final.Log.Problem = ""; log.Health().Cause != nil {
			if err := log.Sync(); err != nil {
				c.final.Log.Problem = err.Error()
			}
		}
		c.final.Log.Backlog = log.Health().BacklogBytes
	}
	for len(c.ending) > 0 {
		log := c.ending[0]
		if err := log.Sync(); err != nil {
			if c.final.Log.Problem == "" {
				c.set.Log.Error("the disk does not take the end of the run log; lines wait in memory", "cell", c.set.Cell, "run", log.Run(), "err", err)
			}
			c.final.Log.Problem, c.final.Log.Backlog = err.Error(), log.Health().BacklogBytes
			return
		}
		if err := log.Close(); err != nil {
			c.set.Log.Error("closing the run log", "cell", c.set.Cell, "err", err)
		}
		c.ending = c.ending[1:]
		c.final.Log.Problem, c.final.Log.Backlog = "", 0
	}
}

// close leaves the run open for the next process: synced, with a last checkpoint.
func (r *run) close(c *Cell) error {
	now := r.time.now()
	utc := r.time.stamp(now)
	err := errors.Join(
		r.log.Entry(utc, "stopped", "nightcell was told to stop; the run stays open"),
		r.checkpoint(c, utc),
		r.log.Close())
	if err != nil {
		return fmt.Errorf("the run log is not safe on the disk: %w", err)
	}
	return nil
}

// stands says whether an alarm of this condition holds, whatever was done about it.
func (r *run) stands(c alerts.Condition) (alerts.Alarm, bool) {
	a := r.alarms.Alarm(c)
	return a, a.Holds
}

// shorted says that metal bridges the electrodes, so that the current wins nothing.
func (r *run) shorted() bool {
	_, is := r.stands(alerts.HardShort)
	return is
}

// since returns how long ago a moment of the run was.
func (r *run) since(at time.Duration) time.Duration { return r.time.now() - at }
