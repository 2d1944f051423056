package daemon

import (
	"math"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/drivers"
)

// sharedFor is how long another process that has the port counts as there after an answer was missed.
const sharedFor = 30 * time.Second

// observe gathers all that is known at this moment for the alarm board.
func (r *run) observe(c *Cell, got bool, gap time.Duration) (o alerts.Observation) {
	t := &r.totals
	now := r.time.now()
	o = alerts.Blank(now, r.time.stamp(now))
	if got {
		o.HasReading = true
		o.Volts, o.Amperes = float64(c.reading.Volts), float64(c.reading.Amperes)
		o.Mode, o.Output = alerts.Mode(c.reading.Mode), alerts.Output(c.reading.Output)
		o.Gap, o.LineLost = gap, r.lostFor
	}
	o.Silence = now - r.lastGood
	if s := c.link.shared; s != nil && c.m.now()-c.link.sharedAt <= sharedFor {
		o.SharedWith = s.By
	}

	st := &c.link.status
	o.SetVolts, o.SetAmperes = float64(st.SetVolts), float64(st.SetAmperes)
	o.LimitVolts, o.LimitAmperes = float64(st.LimitVolts), float64(st.LimitAmperes)
	if len(st.Tripped) > 0 {
		o.Tripped = st.Tripped[0]
		if len(st.Tripped) > 1 {
			o.Tripped = strings.Join(st.Tripped, ", ")
		}
	}
	o.Restarted = r.supplyRestarted
	o.OffExpected = r.offExpected || r.parted
	o.OffFailed = r.offFailed

	o.Charge, o.ChargeUncertainty = t.Charge, t.StandardUncertainty
	o.Elapsed = t.Elapsed
	if p := c.set.Plan; p != nil {
		r.observeBath(c, &o)
	}
	if need := c.set.AirNeededPerAmpere; !math.IsNaN(need) && got {
		o.AirNeeded, o.AirStated, o.Gas = need*math.Abs(o.Amperes), c.set.AirStated, c.set.Gas
	}
	o.LogFree = r.diskFree
	o.LogFailed, o.LogAltered = r.logWaiting, r.altered
	if c.set.Outside != nil {
		if now >= r.outsideAt {
			r.outside = c.set.Outside()
			r.outsideAt = now + outsideEvery
		}
		o.Outside = r.outside
	}
	return o
}

// live says whether a reading is of an output that pushes current.
func (c *Cell) live(r drivers.Reading) bool {
	if r.Output == drivers.OutputOff {
		return false
	}
	return !c.dead(r.Amperes)
}

// dead says whether a reported current is no more than what the supply reports at rest.
func (c *Cell) dead(a drivers.Amperes) bool {
	return math.Abs(float64(a)-c.atRest) <= c.startAmperes()
}

// startAmperes is the current from which an output counts as working and not as
// offset: twice the offset that the maker allows, and at least 1 % of the current limit.
func (c *Cell) startAmperes() float64 {
	a := max(2*c.set.Count.OffsetAmperes, 0.002)
	if l := c.set.Limits.Amperes; !math.IsNaN(l) {
		a = max(a, 0.01*l)
	}
	return a
}
