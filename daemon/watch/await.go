package watch

import (
	"context"
	"fmt"
	"math"
	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/ledger"
	"nightcell/daemon/notices"
	"nightcell/daemon/run"
	"nightcell/drivers"
	"nightcell/integrate"
	"time"
)

// waiting is what is known while no run is open.
type waiting struct {
	zero    zeroTaker
	from    drivers.Reading // where a run that begins now would begin: the newest with the output off
	atRest  float64         // A that the supply reports when none flows
	readUTC time.Time       // of the newest good reading
	noRun   string          // why no run can begin, as it was said last
	alarms  []alerts.Alarm  // likewise, for snapshots: no board judges; nil while nothing keeps a run from beginning
}

// await watches for a run to begin: the output works, or may work for all the supply tells.
func (c *Cell) await(ctx context.Context, reading *drivers.Reading) {
	for _, m := range c.meters {
		m.look() // lest the first reading of a run meet what the meter told long ago
	}
	if reading == nil {
		return
	}
	w := &c.waiting
	w.readUTC = c.m.UTC()
	if !c.settings.Live(*reading, w.atRest) {
		c.barred.Store(false)
		c.watchedAgain("current has stopped", "No run could start; there is nothing to monitor.", c.settings.Past)
		w.zero.take(*reading)
		w.from = *reading
		return
	}
	c.merge(reading)
	// What was read back when the line came up may be hours old, and whoever switched
	// the output on has set the current since.
	if err := c.refreshStatus(ctx); err != nil {
		c.link.Status = run.UnknownStatus()
	}
	err := c.begin(reading)
	c.barred.Store(err != nil)
	if err == nil {
		c.watchedAgain("monitored again", "A run has started: charge is counted and alarms are active.", func(n routes.Notice) { c.run.Notice(w.readUTC, n) })
		return
	}
	if w.from.At == 0 {
		w.from = *reading // the run that begins at last counts from here
	}
	if err.Error() != w.noRun {
		c.tellUnwatched(err)
	}
}

// begin opens a run with a reading as its first, or with the one before: the charge between the last dead reading and
// the first live one counts too.
func (c *Cell) begin(reading *drivers.Reading) error {
	w := &c.waiting
	first := *reading
	if w.from.At > 0 {
		first = w.from
	}
	told := ""
	if c.settings.Plan != nil {
		c.settings.learn()
		told = c.settings.fill(c.m.UTC())
	}
	r, err := run.Begin(&c.settings.Settings, c.facts(), first, w.zero.zero(c.settings.Count.ResolutionAmperes), w.atRest)
	if err != nil {
		return err
	}
	c.run, w.from, w.zero = r, drivers.Reading{}, zeroTaker{}
	c.next = run.Blank(&c.settings.Settings)
	c.past.Begun(r)
	if told != "" {
		r.Notice(w.readUTC, routes.Notice{Kind: routes.Milestone, Priority: alerts.High, Subject: c.settings.Cell + ": look at the bath", Text: told + ".",
			First: "Compare the bath with both figures: nightcell bath show, nightcell check."})
	}
	if first.At < reading.At {
		counted := r.Count(&first)
		c.counted(counted)
	}
	r.Learn(c.facts())
	c.counted(r.Round(reading))
	r.Sync() // a run whose beginning a power cut took away would begin anew without its charge
	return nil
}

// ended puts a run that has ended into the past.
func (c *Cell) ended() bool {
	if c.run == nil || c.run.Ended() == "" {
		return false
	}
	c.past.Take(c.run)
	// No current flows, so that nobody waits for the log to be read once more. What is not written now is made up for before the next run.
	if err := ledger.Settle(c.settings.DataDir, c.m.UTC(), ledgerWait); err != nil {
		c.settings.Log.Warn("what the run took is not in the ledgers yet; it is entered before the next run", "cell", c.settings.Cell, "err", err)
	}
	c.settings.learn()
	c.waiting.atRest, c.waiting.readUTC = c.run.AtRest(), c.past.Final.Reading.At
	c.run = nil
	return true
}

// tellUnwatched tells past the log, which cannot be written, that no run can begin.
func (c *Cell) tellUnwatched(err error) {
	w := &c.waiting
	w.noRun = err.Error()
	c.settings.Log.Error("a run cannot start, so nothing is counted or monitored; retrying with every reading", "cell", c.settings.Cell, "err", err)
	n := c.unwatched(routes.Alarm, alerts.UNACK)
	n.Subject = c.settings.Cell + ": current flows unmonitored"
	n.Text = fmt.Sprintf("%.4g A at %.4g V, but no run can start: %v. Retrying with every reading.", float64(c.reading.Amperes), float64(c.reading.Volts), err)
	n.Meaning = "Until this is fixed, no charge is counted and no alarm is raised."
	n.First = "Stay with the cell or switch it off; then free disk space or correct the permissions."
	c.settings.Past(n)
	w.alarms = []alerts.Alarm{{
		Condition: n.Condition, State: alerts.UNACK, Priority: n.Priority, Since: n.Since, First: true,
		Text: n.Text, Meaning: n.Meaning, Action: n.First,
	}}
}

// watchedAgain tells that no current flows unmonitored any more, if that was told.
func (c *Cell) watchedAgain(subject, text string, tell func(routes.Notice)) {
	w := &c.waiting
	if w.noRun == "" {
		return
	}
	w.noRun, w.alarms = "", nil
	n := c.unwatched(routes.Cleared, alerts.NORM)
	n.Subject, n.Text = c.settings.Cell+": "+subject, text
	tell(n)
}

// unwatched is a notice about current that flows while no run can begin, so that no log takes it.
func (c *Cell) unwatched(kind routes.Kind, state alerts.State) routes.Notice {
	at := c.waiting.readUTC
	return routes.Notice{
		ID: notices.ID(c.settings.Cell, at), Cell: c.settings.Cell, Supply: c.settings.Supply, At: at, Since: at,
		Kind: kind, Condition: alerts.LogDisk.String(), Priority: alerts.High, State: state.String(),
	}
}

// zeroReadings is how many readings with the output off make a zero.
const zeroReadings = 10

// zeroTaker averages what the supply reports while its output is off, before a run
// begins. It keeps a running mean and variance (Welford), so that a long wait costs no memory.
type zeroTaker struct {
	n        float64
	mean, m2 float64
}

// take adds one reading. A live or unknown output makes all readings so far worthless.
func (z *zeroTaker) take(r drivers.Reading) {
	if r.Output != drivers.OutputOff {
		*z = zeroTaker{}
		return
	}
	z.n++
	d := float64(r.Amperes) - z.mean
	z.mean += d / z.n
	z.m2 += d * (float64(r.Amperes) - z.mean)
}

// zero returns the offset and its standard uncertainty: that of the mean, and of
// the last digit, which no averaging of equal readings shrinks (rectangular, JCGM 100, 4.3.7).
// It is of no readings before there are enough.
func (z *zeroTaker) zero(resolution float64) run.Zero {
	if z.n < zeroReadings {
		return run.Zero{}
	}
	u := math.Hypot(math.Sqrt(z.m2/(z.n-1)/z.n), resolution/math.Sqrt(12))
	return run.Zero{Zero: integrate.Zero{Amperes: z.mean, Uncertainty: u}, Readings: int(z.n)}
}
