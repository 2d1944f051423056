package daemon

import (
	"context"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

const (
	statusEvery  = 30 * time.Second // run time between looks at set-points and protection
	diskEvery    = time.Minute      // between looks at the free space
	lookEvery    = 10 * time.Second // between looks whether the log still lies where it is written
	outsideEvery = 10 * time.Second // between looks at pushes and routes
)

// run is one charge from begin to finish, in the hands of the cell's goroutine.
type run struct {
	dir    string
	began  time.Time
	log    *runlog.Writer
	time   *timeline
	count  *integrate.Coulometer
	alarms *alerts.Board

	totals   integrate.Totals // as of this round
	standing bath.Standing    // likewise; of a cell with a plan
	target   float64          // C, likewise; once it is passed, where it lay

	lastGood time.Duration // run time of the newest good reading
	lastLive time.Duration // run time of the newest with a live output
	lastOn   bool          // the output was on then
	seen     time.Duration // the same reading on the clock of the readings; below zero: none by this process
	set      setPoints

	outsideAt time.Duration // when to look at pushes and routes again
	outside   alerts.Outside

	fresh   bool          // no reading yet since this process took the run up
	slept   bool          // the machine was suspended since the newest reading
	lostFor time.Duration // what the newest reading ended, if the supply was out of reach in it
	resumed bool

	shunted float64 // C that passed while metal bridged the electrodes

	supplyRestarted bool
	offExpected     bool
	offFailed       bool
	offVerified     bool
	holdFailed      bool
	byHand          bool   // a person switched it off or ended it
	offWhy          string // of the newest off
	abort           *abort // once it has ended: what is left to be done
	parted          bool   // the output was switched off when a watch before was stopped, and has not been on since
	logWaiting      bool
	diskFree        float64
	diskAt          time.Duration
	lookAt          time.Duration // when to look for the log again
	altered         string        // what became of the log behind the watch's back, until somebody has acknowledged it
	reached         bool
	acted           map[alerts.Condition]bool // reactions already carried out
	nextOff         time.Duration             // when an off that could not be verified is tried again
	nextHold        time.Duration             // likewise
	told            time.Time                 // stamp of the newest notice
	cleared         clearance
	shown           []snapshot.Alarm // rebuilt only when it changes
	blind           []string         // likewise, and at each checkpoint
}

// clearance is what the operator confirmed before an unattended run.
type clearance struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// await watches for a run to begin: the output works, or may work for all the supply tells.
func (c *Cell) await(ctx context.Context, got bool) {
	if !got {
		return
	}
	c.readUTC = c.m.utc()
	if !c.live(c.reading) {
		c.barred.Store(false)
		if c.noRun != "" {
			c.noRun, c.alone = "", nil
			n := c.unwatched(routes.Cleared, alerts.NORM)
			n.Subject, n.Text = c.set.Cell+": no current flows any more", "No run could begin; now there is nothing to watch."
			c.tell(n)
		}
		c.zero.take(c.reading)
		c.from = c.reading
		return
	}
	// What was read back when the line came up may be hours old, and whoever switched
	// the output on has set the current since.
	if err := c.refreshStatus(ctx); err != nil {
		c.link.status = unknownStatus()
	}
	err := c.begin()
	c.barred.Store(err != nil)
	if err == nil {
		if c.noRun != "" {
			c.noRun, c.alone = "", nil
			n := c.unwatched(routes.Cleared, alerts.NORM)
			n.Subject, n.Text = c.set.Cell+": watched again", "A run has begun at last: charge is counted and alarms are judged."
			c.run.notice(c, c.readUTC, n)
		}
		return
	}
	if c.from.At == 0 {
		c.from = c.reading // the run that begins at last counts from here
	}
	if err.Error() != c.noRun {
		c.noRun = err.Error()
		c.set.Log.Error("a run cannot begin, so nothing is counted or watched; every reading tries again", "cell", c.set.Cell, "err", err)
		n := c.unwatched(routes.Alarm, alerts.UNACK)
		n.Subject = c.set.Cell + ": current flows, and nobody watches"
		n.Text = fmt.Sprintf("%.4g A flow at %.4g V, but no run can begin: %v. Every reading tries again.", float64(c.reading.Amperes), float64(c.reading.Volts), err)
		n.Meaning = "Nothing is counted and no alarm is judged until it is mended."
		n.First = "Watch the cell yourself, or switch it off; then make room on the disk, or mend its permissions."
		c.tell(n)
		c.alone = []snapshot.Alarm{{
			Condition: n.Condition, State: n.State, Priority: n.Priority.String(), Since: n.Since, First: true,
			Text: n.Text, Meaning: n.Meaning, Action: n.First,
		}}
	}
}

// unwatched is a notice about current that flows while no run can begin, so that no log takes it.
func (c *Cell) unwatched(kind routes.Kind, state alerts.State) routes.Notice {
	return routes.Notice{
		ID: noticeID(c.set.Cell, c.readUTC), Cell: c.set.Cell, Supply: c.set.Supply, At: c.readUTC, Since: c.readUTC,
		Kind: kind, Condition: alerts.LogDisk.String(), Priority: routes.High, State: state.String(),
	}
}

// begin opens a run with the present reading as its first.
func (c *Cell) begin() error {
	r := &run{diskFree: math.NaN(), set: unknownSetPoints, seen: -1, acted: make(map[alerts.Condition]bool)}
	first := c.reading
	if c.from.At > 0 {
		first = c.from // the charge between the last dead reading and the first live one counts too
	}
	r.time = newTimeline(c.m, first.At)
	r.began = r.time.stamp(0)
	r.count = integrate.NewCoulometer(c.set.Count)
	if p := c.set.Plan; p != nil {
		if err := p.Resume(c.bathAtBegin); err != nil {
			return fmt.Errorf("filling the model of the bath: %w", err)
		}
	}
	r.alarms = alerts.NewBoard(c.set.Limits, c.set.Chemistry)
	r.relist()
	log, err := runlog.Create(c.set.DataDir, c.set.Cell, r.began, c.set.Frozen, c.logOptions())
	if err != nil {
		return fmt.Errorf("beginning the run log: %w", err)
	}
	r.log, r.dir = log, log.Run()
	c.run = r
	c.from = drivers.Reading{}
	c.set.Log.Info("run begins", "cell", c.set.Cell, "run", r.dir)
	r.note(c, log.Begin(r.began, r.count.Settings(), c.beginText(), c.beginFields()...))
	if z, ok := c.zero.zero(c.set.Count.ResolutionAmperes); ok {
		if err := r.count.SetZero(z); err != nil {
			return fmt.Errorf("taking the zero: %w", err)
		}
		c.atRest = z.Amperes
		r.note(c, log.Zero(r.began, fmt.Sprintf("mean of %.0f readings with the output off", c.zero.n), z))
	}
	c.zero = zeroTaker{}
	r.attached(c, r.began)
	if c.left != nil {
		r.notice(c, r.began, c.left.notice(c, routes.Cleared, alerts.NORM, "a new run has begun"))
		r.note(c, c.forget(r.began))
	}
	if c.ended != "" && c.final.OffVerified {
		r.notice(c, r.began, routes.Notice{Kind: routes.Milestone, Priority: routes.High, Subject: c.set.Cell + ": output on again",
			Text:  "The run before had ended with the output verified off, and now current flows again; nightcell never switches on. A new run is counted from the bath as configured.",
			First: "If nobody switched it on, switch it off at the supply: some come back on by themselves after a loss of power."})
	}
	if live := c.reading; first.At < live.At {
		c.reading = first
		r.take(c)
		c.reading = live
	}
	r.carryOn(c, true)
	// A run whose beginning a power cut took away would begin anew without its charge. A
	// disk that does not take it shows in the log's health.
	_ = r.log.Sync()
	return nil
}

// carryOn is one round of an open run, with or without a new reading.
func (c *Cell) carryOn(ctx context.Context, got bool) {
	r := c.run
	r.lookAtClocks(c)
	if c.m.now() >= c.statusDue || got && r.wouldBeGap(c) {
		_ = c.refreshStatus(ctx) // counted and told there; what is old is not taken for evidence
	}
	r.carryOn(c, got)
	c.useHands(ctx)
}

// refreshStatus asks for set-points, protection and errors. After an error, which
// has been counted, the status is the one before.
func (c *Cell) refreshStatus(ctx context.Context) error {
	if !c.link.up() {
		return errNoLine
	}
	c.statusDue = c.m.now() + 5*c.set.Poll // should it fail
	st, err := c.link.supply.Status(ctx)
	if err != nil {
		if ctx.Err() == nil {
			c.refuse(err)
		}
		return fmt.Errorf("asking the supply for its state: %w", err)
	}
	c.link.told(st)
	c.statusDue = c.m.now() + max(statusEvery, 10*c.set.Poll)
	for _, e := range st.Errors {
		c.set.Log.Warn("supply reports an error", "cell", c.set.Cell, "error", e)
	}
	return nil
}

// carryOn counts, logs and judges; the reading, if there is one, is c.reading.
func (r *run) carryOn(c *Cell, got bool) {
	var gap time.Duration
	if got {
		gap = r.take(c)
	}
	r.reckon(c)
	r.watchDisk(c)
	o := r.observe(c, got, gap)
	r.follow(c, r.alarms.Judge(&o))
	r.maintain(c)
}

// reckon works out where the run stands, once for all who need it in this round.
func (r *run) reckon(c *Cell) {
	r.totals = r.count.Totals()
	if p := c.set.Plan; p != nil {
		r.standing = p.Standing(math.Abs(float64(c.reading.Amperes)))
		if r.shorted() {
			r.standing.Marginal, r.standing.LoadRatio, r.standing.TimeLeft = 0, 0, math.Inf(1)
		}
		// What is left ends at zero, so that beyond the target the sum would say that it moves along.
		if at := r.totals.Charge + r.standing.Left; r.standing.Left > 0 || r.target == 0 {
			r.target = at
		} else {
			r.target = math.Min(r.target, at)
		}
	}
}

// lookAtClocks notices suspend and steps of the wall clock. It comes before whatever
// depends on whether the newest reading ends a gap.
func (r *run) lookAtClocks(c *Cell) {
	slept, said := r.time.look()
	if slept > 0 {
		r.slept = true
		said = fmt.Sprintf("the machine was asleep for %v; that is a gap", slept.Round(time.Second))
	}
	if said != "" {
		c.set.Log.Warn("clock", "cell", c.set.Cell, "said", said)
		r.note(c, r.log.Entry(r.time.stamp(r.time.now()), "clock", said))
	}
}

// unknownStatus is that of a supply which has not told.
func unknownStatus() drivers.Status {
	volts := drivers.Volts(unknownAmperes)
	return drivers.Status{SetVolts: volts, SetAmperes: unknownAmperes, LimitVolts: volts, LimitAmperes: unknownAmperes}
}

// take counts one reading and writes it down. It returns the length of the gap that it ended, or 0.
func (r *run) take(c *Cell) (gap time.Duration) {
	at := r.time.runTime(c.reading.At)
	before := r.lastGood
	e := r.evidence(c)
	step, err := r.count.Add(integrate.Sample{At: at, Volts: float64(c.reading.Volts), Amperes: float64(c.reading.Amperes)}, e)
	if err != nil {
		c.set.Log.Warn("reading not counted", "cell", c.set.Cell, "err", err)
		return 0
	}
	utc := r.time.stamp(at)
	if r.lostFor = 0; e.LineLost {
		r.lostFor = step.Elapsed
	}
	if step.IsGap {
		gap = step.Elapsed
		c.set.Log.Warn("gap", "cell", c.set.Cell, "length", gap.Round(time.Millisecond),
			"best_coulombs", math.Round(step.Gap.Best), "low_coulombs", math.Round(step.Gap.Low), "high_coulombs", math.Round(step.Gap.High))
		r.note(c, r.log.Gap(utc, r.kindOfGap(c), step.Gap, e))
		text := interruption(c.set.Chemistry, step.Gap, e.OnBefore)
		if e.LineLost {
			text = "the supply was out of reach and had to be found again, as after a loss of its power; " + text
		}
		r.note(c, r.log.Entry(utc, "remark", text))
	}
	r.note(c, r.log.Reading(utc, at-before, float64(c.reading.Volts), float64(c.reading.Amperes), c.reading.Mode.String(), c.reading.Output.String()))
	r.advanceBath(c, step)
	r.lastGood, r.lastOn = at, c.live(c.reading)
	if r.lastOn {
		r.lastLive, r.parted, r.supplyRestarted = at, false, false // what was lost or left off is back
	}
	r.set.keep(&c.link.status)
	r.seen = c.reading.At
	r.fresh, r.slept, c.link.swapped, c.link.silences = false, false, false, 0
	c.readUTC = utc
	return gap
}

// advanceBath lets the model of the bath follow a step. While metal bridges the
// electrodes the charge wins nothing: it is counted all the same, and kept apart here.
func (r *run) advanceBath(c *Cell, step integrate.Step) {
	p := c.set.Plan
	if p == nil {
		return
	}
	if r.shorted() {
		r.shunted += step.Coulombs
		return
	}
	p.Model.Step(step.Coulombs, step.Elapsed.Seconds())
}

// note takes the error of a log line. The writer keeps the line in memory and tries
// again, so nothing is lost here; the log's health shows in the snapshot and as an alarm.
func (r *run) note(c *Cell, err error) {
	if err != nil {
		c.set.Log.Error("run log", "cell", c.set.Cell, "err", err)
	}
}

// beginText says in words how the run begins, for whoever reads the log later.
func (c *Cell) beginText() string {
	text := "run begins with " + c.link.identity.String()
	if p := c.set.Plan; p != nil {
		text += fmt.Sprintf("; target %s A·h (k = %d)", quantity.WithDoubt(p.Goal.Charge.Value/3600, integrate.CoverageFactor*p.Goal.Charge.StandardUncertainty/3600), integrate.CoverageFactor)
	}
	if c.set.Reason != "" {
		text += "; reason given for departing from the safe state: " + c.set.Reason
	}
	return text
}

// beginFields are the figures of the plan.
func (c *Cell) beginFields() []runlog.Field {
	p := c.set.Plan
	if p == nil {
		return nil
	}
	return []runlog.Field{
		runlog.Text("metal", p.Metal.String()),
		runlog.Number("target_charge_coulombs", p.Goal.Charge.Value),
		runlog.Number("target_charge_standard_uncertainty_coulombs", p.Goal.Charge.StandardUncertainty),
	}
}

// observeBath adds what the model of the bath says to an observation.
func (r *run) observeBath(c *Cell, o *alerts.Observation) {
	t := &r.totals
	p, st := c.set.Plan, &r.standing
	o.Target, o.TargetUncertainty = r.target, p.Goal.Charge.StandardUncertainty
	if r.reached {
		o.Target = math.Min(o.Target, t.Charge)
	}
	o.PlanCharge = r.planned(c)
	o.Deposit, o.LimitingRatio = st.Confirmed, st.LoadRatio
	if st.Marginal > 0 && o.HasReading {
		o.MarginalJoules = o.Volts / (st.Marginal * c.plan.equivalent)
	}
}
