package run

import (
	"math"
	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"strings"
	"time"
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

// ChangeAlarm lets a person's order change an alarm, and writes down what came of it.
func (r *Run) ChangeAlarm(f Facts, order func(b *alerts.Board, utc time.Time) (alerts.Change, error)) error {
	r.Learn(f)
	change, err := order(r.alarms, r.utc())
	if err != nil {
		return control.Refuse("%v", err)
	}
	r.follow([]alerts.Change{change})
	return nil
}

// follow writes down what the board changed, and a notice for each change that a person must hear of.
func (r *Run) follow(changes []alerts.Change) {
	for i := range changes {
		r.followOne(&changes[i])
	}
	if len(changes) == 0 {
		return
	}
	r.relist()
	// A change must survive a kill exactly, so a checkpoint follows it at once.
	r.checkpoint()
	r.settings.wake()
}

func (r *Run) followOne(ch *alerts.Change) {
	r.settings.Log.Info("alarm", "cell", r.settings.Cell, "condition", ch.Condition.String(),
		"from", ch.From.String(), "to", ch.To.String(), "priority", ch.Priority.String(), "text", ch.Text)
	extra := []runlog.Field{
		runlog.Text("before", ch.From.String()), runlog.Number("limit", ch.Limit), runlog.Flag("first", ch.First),
		runlog.Text("meaning", ch.Meaning), runlog.Text("action", ch.Action),
	}
	if ch.By != "" {
		extra = append(extra, runlog.Text("by", ch.By))
	}
	if ch.After != alerts.None {
		extra = append(extra, runlog.Text("after", ch.After.String()))
	}
	r.note(r.log.Alarm(ch.UTC, runlog.Alarm{
		Condition: ch.Condition.String(), State: ch.To.String(), Priority: ch.Priority.String(), Text: ch.Text, Value: ch.Value,
	}, extra...))
	if ch.Condition == alerts.LogAltered && ch.To == alerts.ACKED {
		r.altered = "" // it happened once, and somebody knows
	}
	if ch.Cleared() {
		delete(r.hands.acted, ch.Condition) // should it come again, it is reacted to again
	}
	if kind, ok := kindOfNotice(ch); ok {
		r.noticeOf(kind, ch)
	}
}

// relist rebuilds the alarm list that snapshots show.
func (r *Run) relist() {
	active := r.alarms.Active()
	list := make([]snapshot.Alarm, 0, len(active))
	for _, a := range active {
		list = append(list, snapshot.Alarm{
			Condition: a.Condition.String(), State: a.State, Priority: a.Priority, Since: a.Since,
			First: a.First, Text: a.Text, Meaning: r.alarms.Meaning(a.Condition), Action: a.Condition.About().First,
			By: a.By, Reason: a.Reason, ShelfEnds: a.ShelfEnds,
		})
	}
	r.shown, r.blind = list, r.alarms.Blind()
}
