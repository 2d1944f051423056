package run

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/books"
	"nightcell/daemon/notices"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
)

// EndIfOver ends the run once its output is off for good reason: switched off by us, or found off after the target.
func (r *Run) EndIfOver() {
	switch {
	case r.hands.failed || !r.isOff():
	case r.Reached:
		r.end("target reached and output off")
	case r.hands.expected:
		r.end("switched off before the target")
	}
}

// isOff says that the output is off: by its own word, by our verified command, or,
// where the supply does not tell, by no current for longer than a pause.
func (r *Run) isOff() bool {
	switch {
	case r.LastOn || r.reading.Output == drivers.OutputOn:
		return false
	case r.hands.verified || r.reading.Output == drivers.OutputOff:
		return true
	}
	return r.lastGood-r.lastLive > max(r.settings.Count.GapAfter, 10*r.settings.Poll)
}

// end closes the run's books: nothing is counted after it.
func (r *Run) end(why string) {
	r.ended = why
	utc := r.utc()
	t := r.count.Totals()
	r.Notice(utc, r.endNotice(why))
	if r.Abort = r.abortOf(why, utc); r.Abort != nil { // behind the notice of the end, which closes what stood before
		r.Notice(utc, r.Abort.notice(&r.settings, routes.Alarm, alerts.UNACK, "ended before its target: take the cathode out"))
	}
	r.checkpoint()
	r.note(r.log.Entry(utc, runlog.EntryEnd, why, runlog.Number("charge_coulombs", t.Charge), runlog.Number("energy_joules", t.Energy)))
	r.checkpoint()
	r.settings.Log.Info("run ends", "cell", r.settings.Cell, "why", why, "charge_coulombs", t.Charge, "standard_uncertainty_coulombs", t.StandardUncertainty)
	r.shown = nil // alarms end with their run
	r.Reckon()
}

// endNotice tells the end. Where nightcell switched off, it is also the news that the output is verified off.
func (r *Run) endNotice(why string) routes.Notice {
	n := routes.Notice{Kind: routes.Ended, Priority: alerts.Low, Subject: r.settings.Cell + ": run ended", Text: "The run has ended: " + why + ".", Meaning: r.settings.restMeaning()}
	if !r.hands.verified {
		return n
	}
	said := " The supply reports its output off, and no current flows."
	if r.supply.Status.Output == drivers.OutputUnknown {
		said = " No current flows; this supply does not report its output state."
	}
	n.Priority, n.Subject = alerts.Medium, r.settings.Cell+": output off, verified; run ended"
	if r.Reached {
		n.Subject = r.settings.Cell + ": target reached, output off, verified"
	}
	n.Text, n.First = "Switched off because: "+r.hands.why+"."+said, "Take the cathode out and rinse it."
	return n
}

// Ended says why the run has ended, and nothing while it goes on.
func (r *Run) Ended() string { return r.ended }

// abort is what a run that ended before its target leaves to be done. It stands until somebody acknowledges it or a new
// run begins, and is kept in the last checkpoint of the run's log.
type abort struct {
	Why      string          `json:"why"`
	Since    time.Time       `json:"since"`
	Priority alerts.Priority `json:"priority"`
	Text     string          `json:"text"`
	Meaning  string          `json:"meaning"`
	First    string          `json:"first"`
}

// abortOf says what the end of a run leaves to be done, nil after the target. Without a target only
// what nightcell itself broke off counts.
func (r *Run) abortOf(why string, utc time.Time) *abort {
	if r.Reached || r.settings.Plan == nil && len(r.hands.acted) == 0 {
		return nil
	}
	cause := why
	if r.hands.why != "" {
		cause = "switched off, " + r.hands.why
	}
	a := &abort{
		Why: why, Since: utc, Priority: alerts.High, Meaning: r.settings.restMeaning(),
		Text:  "The run ended before its target: " + cause,
		First: "Take the cathode out, rinse, dry and weigh it before starting again.",
	}
	if r.settings.Plan != nil && r.standing.Confirmed > 0 {
		a.Text += fmt.Sprintf("; about %.3g g are on the cathode", r.standing.Confirmed*1e3)
	}
	a.Text += "."
	a.Meaning = cmp.Or(a.Meaning, "The deposit is less than planned.")
	if r.byHand {
		a.Priority = alerts.Medium // somebody stood there
	}
	return a
}

// notice tells the abort as an alarm, which is reminded of like any other.
func (a *abort) notice(s *Settings, kind routes.Kind, state alerts.State, subject string) routes.Notice {
	return routes.Notice{
		Kind: kind, Condition: alerts.OutputOff.String(), Priority: a.Priority, State: state.String(), Since: a.Since,
		Subject: s.Cell + ": " + subject, Text: a.Text, Meaning: a.Meaning, First: a.First,
		Acknowledge: s.acknowledgeBy(alerts.OutputOff),
	}
}

// Past is what the runs that have ended leave: the figures of the last, what it left to be done, and logs until the
// disk has taken all of them. The zero value is for a cell of which no run has ended.
type Past struct {
	Why   string        // the last one ended; empty: none has
	Final snapshot.Cell // its figures

	left *leftover        // nil once that is answered
	logs []*runlog.Writer // that something is to be answered in, or that the disk does not take the end of
}

// leftover is an abort with the log that it is answered in, which stays open for that.
type leftover struct {
	abort
	log    *runlog.Writer
	count  *integrate.Coulometer
	memory memory
	alarms []alerts.Alarm // the abort, as snapshots show it
}

// Take takes over a run that has ended.
func (p *Past) Take(r *Run) {
	p.keep(r, r.ended)
	p.logs = append(p.logs, r.log)
	if r.Abort != nil {
		p.leave(r, r.Abort, r.remember())
		r.Sync()
	}
	p.CloseLogs(&r.settings)
	r.settings.wake()
}

// keep makes a run's figures those that stay in view.
func (p *Past) keep(r *Run, why string) {
	p.Why, p.Final = why, Blank(&r.settings)
	p.Final.At = r.utc()
	r.Fill(&p.Final)
	p.Final.Ended, p.Final.EndedWhy = true, why
}

// leave keeps an abort in view, with the log open.
func (p *Past) leave(r *Run, a *abort, m memory) {
	p.left = &leftover{abort: *a, log: r.log, count: r.count, memory: m, alarms: []alerts.Alarm{{
		Condition: alerts.OutputOff.String(), State: alerts.UNACK, Priority: a.Priority, Since: a.Since,
		First: true, Text: a.Text, Meaning: a.Meaning, Action: a.First,
	}}}
}

// resume takes up the figures of the run that ended last, and what it left to be done where nobody has answered yet. m is nil where
// its log has no memory of a watch.
func (p *Past) resume(r *Run, m *memory, why string) error {
	r.totals = r.count.Totals()
	// The plan is its own: the one in force is of what it left in the bath.
	_, r.settings.Plan, _ = books.Frozen(r.dir, r.settings.Cell) // without it the charge is shown alone
	r.settings.Left, r.plan = "", constantsOf(r.settings.Plan)
	if m != nil {
		r.target, r.Shunted, r.Reached = m.Target, m.Shunted, m.Reached
		if plan := r.settings.Plan; plan != nil && m.Bath != nil {
			if err := plan.Resume(*m.Bath); err != nil {
				r.settings.Log.Warn("the bath of the previous run cannot be used", "cell", r.settings.Cell, "err", err)
			}
			r.standing = plan.Standing(0)
			r.target = cmp.Or(m.Target, r.totals.Charge+r.standing.Left)
		}
	}
	p.keep(r, why)
	if m == nil || m.Abort == nil {
		return r.log.Close()
	}
	p.leave(r, m.Abort, *m)
	p.logs = append(p.logs, r.log)
	return nil
}

// Alarms is what the last run left to be done, as snapshots show it.
func (p *Past) Alarms() []alerts.Alarm {
	if p.left == nil {
		return nil
	}
	return p.left.alarms
}

// Acknowledge answers what the last run left to be done.
func (p *Past) Acknowledge(s *Settings, utc time.Time, by string) error {
	n := p.left.notice(s, routes.Acknowledged, alerts.ACKED, "the early end of the run was acknowledged by "+by)
	n.ID, n.Cell, n.Supply, n.At = notices.ID(s.Cell, utc), s.Cell, s.Supply, utc
	log := p.left.log
	err := errors.Join(
		log.Entry(utc, "acknowledged", "the early end of the run is acknowledged", runlog.Text("by", by)),
		notices.Write(log, n), p.forget(s, utc))
	if err != nil || log.Health().Cause != nil {
		s.Past(n)
	}
	s.wake()
	s.Log.Info("the early end of the run is acknowledged", "cell", s.Cell, "by", by)
	return err
}

// Begun tells, in a run that has just begun, what that means for what the last one left.
func (p *Past) Begun(r *Run) {
	if p.left != nil {
		r.Notice(r.Began, p.left.notice(&r.settings, routes.Cleared, alerts.NORM, "a new run has started"))
		r.note(p.forget(&r.settings, r.Began))
	}
	if p.Final.OffVerified {
		r.Notice(r.Began, routes.Notice{Kind: routes.Milestone, Priority: alerts.High, Subject: r.settings.Cell + ": output on again",
			Text:  "The run before had ended with the output verified off, and now current flows again; nightcell never switches on. A new run is counted from what is left in the bath.",
			First: "If nobody switched it on, switch it off at the supply: some supplies switch on by themselves after a power failure."})
	}
}

// forget ends an abort: it is no longer in the log's memory, and the log is closed.
func (p *Past) forget(s *Settings, utc time.Time) error {
	l := p.left
	p.left = nil
	l.memory.Abort = nil
	field, err := l.memory.field()
	if err != nil {
		return err
	}
	err = l.log.Checkpoint(utc, l.count, field)
	p.CloseLogs(s)
	return err
}

// CloseLogs closes the logs of runs that have ended, once the disk has taken all of them; until then their lines wait
// in memory. The log in which something is still to be answered stays open.
func (p *Past) CloseLogs(s *Settings) {
	shown := &p.Final.Log
	told := shown.Problem != ""
	if len(p.logs) > 0 {
		shown.Problem, shown.Backlog = "", 0
	}
	p.logs = slices.DeleteFunc(p.logs, func(log *runlog.Writer) bool {
		open := p.left != nil && p.left.log == log
		if open && log.Health().Cause == nil {
			return false
		}
		if err := log.Sync(); err != nil {
			if !told {
				s.Log.Error("the end of the run log cannot be written; lines are waiting in memory", "cell", s.Cell, "run", log.Run(), "err", err)
			}
			told, shown.Problem, shown.Backlog = true, err.Error(), log.Health().BacklogBytes
			return false
		}
		if open {
			return false
		}
		if err := log.Close(); err != nil {
			s.Log.Error("closing the run log", "cell", s.Cell, "err", err)
		}
		return true
	})
}

// Close closes every log for good. The error says what is lost.
func (p *Past) Close() error {
	var errs []error
	for _, log := range p.logs {
		errs = append(errs, log.Close())
	}
	return errors.Join(errs...)
}
