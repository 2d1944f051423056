package run

import (
	"fmt"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// Round is one round of an open run, at the moment learned last: charge, log and judgement. The reading is nil when
// none came. It says whether one was counted.
func (r *Run) Round(reading *drivers.Reading) (counted bool) {
	var gap time.Duration
	if reading != nil {
		gap, counted = r.Count(reading) // charge and log
	}
	r.Reckon()
	r.lookAtLog()
	o := r.observe(reading != nil, gap)
	r.follow(r.alarms.Judge(&o)) // judgement: alarms into the log, and notices
	r.lookAtTarget()
	if r.log.CheckpointDue() {
		r.relist()
		r.checkpoint()
	}
	return counted
}

// Count adds one reading to the charge and writes it down. It returns the length of the gap that it ended, or 0.
func (r *Run) Count(reading *drivers.Reading) (gap time.Duration, counted bool) {
	r.atCell(reading)
	r.reading = *reading
	at, before := r.time.runTime(reading.At), r.lastGood
	e := r.evidence()
	shown := &reading.Shown
	step, err := r.count.Add(integrate.Sample{
		At: at, Volts: float64(reading.Volts), Amperes: float64(reading.Amperes),
		Metered: shown.Metered, AtCell: shown.AtCell, SupplyVolts: float64(shown.Volts),
	}, e)
	if err != nil {
		r.settings.Log.Warn("reading rejected", "cell", r.settings.Cell, "err", err)
		return 0, false
	}
	utc := r.time.stamp(at)
	if step.IsGap {
		gap = step.Elapsed
		r.writeGap(utc, &step, &e)
	}
	r.note(r.log.Reading(utc, at-before, float64(reading.Volts), float64(reading.Amperes), reading.Mode.String(), reading.Output.String(),
		runlog.Supply{AtCell: shown.AtCell, Metered: shown.Metered, Volts: float64(shown.Volts), Amperes: float64(shown.Amperes)}))
	r.heed(reading, at)
	r.advanceBath(step)
	if r.lostFor = 0; e.LineLost {
		r.lostFor = step.Elapsed
	}
	r.lastGood, r.LastOn = at, r.live(*reading)
	if r.LastOn {
		r.lastLive, r.hands.parted, r.supplyRestarted = at, false, false // what was lost or left off is back
	}
	r.points.keep(&r.supply.Status)
	r.seen, r.readUTC = reading.At, utc
	r.fresh, r.slept, r.supply.Swapped, r.supply.Silences = false, false, false, 0
	return gap, true
}

// Learn takes over what the watch knows at this moment, and notices suspend and steps of the wall clock. It comes
// before whatever depends on whether the newest reading ends a gap.
func (r *Run) Learn(f *Facts) {
	r.supply = f.Supply
	slept, said := r.time.pass(f.Moment)
	if slept > 0 {
		r.slept = true
		said = fmt.Sprintf("the machine was asleep for %s; booked as a gap", quantity.Duration(slept))
	}
	if said != "" {
		r.settings.Log.Warn("clock", "cell", r.settings.Cell, "said", said)
		r.note(r.log.Entry(r.utc(), "clock", said))
	}
}
