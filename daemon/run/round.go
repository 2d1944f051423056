package run

import (
	"fmt"

	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/integrate"
)

// Round is one round of an open run, at the moment learned last: charge, log and judgement. The reading is nil when
// none came. It says whether one was counted.
func (r *Run) Round(reading *drivers.Reading) (counted bool) {
	if reading != nil {
		counted = r.Count(reading) // charge and log
	}
	r.Reckon()
	r.lookAtLog()
	o := r.observe(reading != nil)
	r.follow(r.alarms.Judge(&o)) // judgement: alarms into the log, and notices
	r.lookAtTarget()
	if r.log.CheckpointDue() {
		r.relist()
		r.checkpoint()
	}
	return counted
}

// Count adds one reading to the charge and writes it down, and says whether it did.
func (r *Run) Count(reading *drivers.Reading) bool {
	r.atCell(reading)
	r.reading = *reading
	at, before := r.time.runTime(reading.At), r.lastGood
	e := r.evidence()
	shown := &reading.Shown
	step, err := r.count.Add(integrate.Sample{
		At: at, Volts: float64(reading.Volts), Amperes: float64(reading.Amperes),
		Metered: shown.Metered, AtCell: shown.AtCell, SupplyVolts: float64(shown.Volts), SupplySilent: shown.Silent,
	}, e)
	if err != nil {
		r.settings.Log.Warn("reading rejected", "cell", r.settings.Cell, "err", err)
		return false
	}
	utc := r.time.stamp(at)
	if step.IsGap {
		r.gap = max(r.gap, step.Elapsed)
		r.writeGap(utc, &step, &e)
	}
	r.note(r.log.Reading(utc, at-before, float64(reading.Volts), float64(reading.Amperes), reading.Mode.String(), reading.Output.String(), *shown))
	r.heed(reading, at)
	r.advanceBath(step)
	r.lastGood, r.LastOn, r.readUTC = at, r.live(*reading), utc
	r.fresh, r.slept = false, false
	if r.LastOn {
		r.lastLive = at
	}
	if r.lostFor = 0; shown.Silent {
		return true
	}
	if e.LineLost || shown.Metered && r.lineLost() { // what the meter has bridged is no gap, and told all the same
		r.lostFor = at - r.heard
	}
	if r.LastOn {
		r.hands.parted, r.supplyRestarted = false, false // what was lost or left off is back
	}
	r.points.keep(&r.supply.Status)
	r.heard, r.seen, r.cut = at, reading.At, false
	if r.Own = 0; shown.Metered {
		r.Own = float64(shown.Amperes)
	}
	r.supply.Swapped, r.supply.Silences = false, 0
	return true
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
