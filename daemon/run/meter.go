package run

import (
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// meters is what is known of the cell's second meters: when each quantity was told last, in run time, and the temperature that was written down last, in K.
type meters struct {
	amperes, volts, temperature time.Duration
	kelvin                      float64
}

func (m *meters) begin(at time.Duration) { m.amperes, m.volts, m.temperature = at, at, at }

// heed notes what of a counted reading the meters have told.
func (r *Run) heed(reading *drivers.Reading, at time.Duration) {
	m := &r.meters
	if reading.Shown.Metered {
		m.amperes = at
	}
	if reading.Shown.AtCell {
		m.volts = at
	}
	if reading.Kelvin == 0 {
		return
	}
	m.temperature = at
	if math.Abs(reading.Kelvin-m.kelvin) < worthTelling {
		return
	}
	m.kelvin = reading.Kelvin
	e := control.Entry{Kind: bath.EntryMeasurement, Numbers: map[string]float64{bath.EnteredKelvin: m.kelvin}}
	for _, of := range r.settings.Meters {
		if of.Temperature {
			e.By, e.Text = "meter "+of.Name, fmt.Sprintf("± %.2g K", of.Kelvin)
		}
	}
	r.note(r.log.Entry(r.utc(), e.Kind, e.Text, e.LogFields()...))
}

// worthTelling is by how much the temperature of a meter changes, in K, until it is an entry again, as a person would make it.
const worthTelling = 2

// takeMeter lets an open run follow a meter that has come, or changed, since it began.
func (r *Run) takeMeter() {
	now, next := r.count.Settings().Meter, r.settings.Count.Meter
	if now.Poorer(next) == now {
		return
	}
	r.note(r.log.Meter(r.utc(), "the second meter has come or changed; of accuracies before and after the poorer count. From here on the log is of form 2: a nightcell that reads form 1 alone does not count what the meter counts", next))
	r.count.SetMeter(next)
}

// bridgeAfter is how many polls the supply is silent until the meter counts alone: one missing answer is a garbled question.
const bridgeAfter = 2

// Alone says that the supply has been silent for so long that a meter counts alone.
func (r *Run) Alone() bool { return r.now()-r.heard > bridgeAfter*r.settings.Poll }

// Heard is when the supply's newest reading was taken, on the clock of the readings; below zero: before this process.
func (r *Run) Heard() time.Duration { return r.heard - r.time.base }

// Bridge counts what the meters have shown while the supply does not answer, and says whether it did. It goes on with what was counted beside the
// supply while current flows, and no further: of a current that is gone nobody can say whether a wire of the meter is.
func (r *Run) Bridge(reading *drivers.Reading) bool {
	last, _ := r.count.Last()
	now := r.time.runTime(reading.At)
	// When the run has just been taken up, the supply gets time to answer first: it tells more about the gap.
	early := r.fresh && now-r.meters.amperes <= r.settings.Count.GapAfter
	if r.cut || early || !last.Metered || !r.LastOn || now <= r.lastGood || !reading.Shown.Metered {
		return false
	}
	if r.cut = reading.Amperes < 0 || r.settings.Dead(reading.Amperes, 0); r.cut {
		return false
	}
	if reading.Shown.Amperes = drivers.Amperes(r.Own); !reading.Shown.AtCell {
		reading.Volts = drivers.Volts(last.Volts)
	}
	return r.Count(reading)
}

// bridged says that the meter has measured up to a reading and at it, so that no time without the supply is without a reading.
func (r *Run) bridged(reading *drivers.Reading) bool {
	last, _ := r.count.Last()
	after := r.settings.Count.GapAfter
	return !r.fresh && !r.cut && last.Metered && reading.Shown.Metered && (after <= 0 || r.time.runTime(reading.At)-r.lastGood <= after)
}

// leastDrop is how many readings with volts at both ends must have told the resistance of the leads before it stands in for the meter at
// the cell.
const leastDrop = 10

// atCell takes the drop in the leads off the supply's volts while the meter at the cell is silent, so that the volts judged and counted
// are those of the cell throughout.
func (r *Run) atCell(reading *drivers.Reading) {
	if reading.Shown.AtCell || reading.Shown.Silent || !r.measures(func(m *Meter) bool { return m.Volts }) {
		return
	}
	if l := r.totals.Leads; l.Readings >= leastDrop {
		reading.Shown.Volts = reading.Volts
		reading.Volts -= drivers.Volts(l.Ohms * float64(reading.Amperes))
	}
}

func (r *Run) measures(what func(m *Meter) bool) bool {
	for i := range r.settings.Meters {
		if what(&r.settings.Meters[i]) {
			return true
		}
	}
	return false
}

// observeMeters adds how the meters get on beside the supply.
func (r *Run) observeMeters(o *alerts.Observation, fresh bool) {
	now, problem := r.now(), ""
	for i := range r.settings.Meters {
		m := &r.settings.Meters[i]
		for _, q := range [...]struct {
			asked bool
			last  time.Duration
		}{{m.Amperes, r.meters.amperes}, {m.Volts, r.meters.volts}, {m.Temperature, r.meters.temperature}} {
			// While the supply is silent nothing is merged, and that is an alarm of its own.
			if silence := min(now, r.lastGood) - q.last; q.asked && silence > o.Meter.Silence {
				o.Meter.Silence, o.Meter.Name = silence, m.Name
				if problem = ""; i < len(r.supply.MeterProblems) {
					problem = r.supply.MeterProblems[i]
				}
			}
		}
	}
	if problem != "" {
		o.Meter.Name += " (" + problem + ")"
	}
	shown := &r.reading.Shown
	if !fresh {
		return
	}
	if shown.Metered {
		apart, allowed := r.count.Difference(float64(shown.Amperes), float64(r.reading.Amperes))
		o.Meter.Unit, o.Meter.Shows, o.Meter.Supply = "A", float64(r.reading.Amperes), float64(shown.Amperes)
		o.Meter.Apart, o.Meter.Allowed = math.Abs(apart), allowed
	}
	if shown.AtCell {
		// The cell never has more than the supply gives; how much less is the leads'.
		apart := float64(r.reading.Volts - shown.Volts)
		if l := r.totals.Leads; l.Readings >= leastDrop {
			o.Meter.LeadVolts = -apart - l.Ohms*float64(r.reading.Amperes)
		}
		if allowed := r.count.VoltsApart(float64(r.reading.Volts)); apart > allowed && o.Meter.Apart <= o.Meter.Allowed {
			o.Meter.Unit, o.Meter.Shows, o.Meter.Supply, o.Meter.Apart, o.Meter.Allowed = "V", float64(r.reading.Volts), float64(shown.Volts), apart, allowed
		}
	}
}
