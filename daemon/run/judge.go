package run

import (
	"math"
	"strings"
	"time"

	"nightcell/alerts"
)

// outsideEvery is the run time between looks at pushes and routes.
const outsideEvery = 10 * time.Second

// observe gathers all that is known at this moment for the alarm board. fresh says that a reading came with this
// round, and gap how long a gap it ended.
func (r *Run) observe(fresh bool, gap time.Duration) (o alerts.Observation) {
	t := &r.totals
	now := r.now()
	o = alerts.Blank(now, r.time.stamp(now))
	if fresh {
		o.HasReading = true
		o.Volts, o.Amperes = float64(r.reading.Volts), float64(r.reading.Amperes)
		o.Mode, o.Output = alerts.Mode(r.reading.Mode), alerts.Output(r.reading.Output)
		o.Gap, o.LineLost = gap, r.lostFor
	}
	o.Silence = now - r.lastGood
	o.SharedWith = r.supply.SharedBy

	st := &r.supply.Status
	o.SetVolts, o.SetAmperes = float64(st.SetVolts), float64(st.SetAmperes)
	o.LimitAmperes = float64(st.LimitAmperes)
	if len(st.Tripped) > 0 {
		o.Tripped = st.Tripped[0]
		if len(st.Tripped) > 1 {
			o.Tripped = strings.Join(st.Tripped, ", ")
		}
	}
	o.Restarted = r.supplyRestarted
	o.OffExpected = r.hands.expected || r.hands.parted
	o.OffFailed = r.hands.failed

	o.Charge, o.ChargeUncertainty = t.Charge, t.StandardUncertainty
	o.Elapsed = t.Elapsed
	if r.settings.Plan != nil {
		r.observeBath(&o)
	}
	if need := r.settings.AirNeededPerAmpere; !math.IsNaN(need) && fresh {
		o.AirNeeded, o.AirStated, o.Gas = need*math.Abs(o.Amperes), r.settings.AirStated, r.settings.Gas
	}
	o.LogFree = r.diskFree
	o.LogFailed, o.LogAltered = r.logWaiting, r.altered
	if r.settings.Outside != nil {
		if now >= r.outsideAt {
			r.outside = r.settings.Outside()
			r.outsideAt = now + outsideEvery
		}
		o.Outside = r.outside
	}
	return o
}

// observeBath adds what the model of the bath says to an observation.
func (r *Run) observeBath(o *alerts.Observation) {
	st := &r.standing
	o.Target = r.target
	if r.reached {
		o.Target = math.Min(o.Target, r.totals.Charge)
	}
	o.PlanCharge = r.planned()
	o.Deposit, o.LimitingRatio = st.Confirmed, st.LoadRatio
	if st.Marginal > 0 && o.HasReading {
		o.MarginalJoules = o.Volts / (st.Marginal * r.plan.equivalent)
	}
}
