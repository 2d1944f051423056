package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/integrate"
)

// abort is what a run that ended before its target leaves to be done. It stands until somebody acknowledges it or a new
// run begins, and is kept in the last checkpoint of the run's log.
type abort struct {
	Why      string          `json:"why"`
	Since    time.Time       `json:"since"`
	Priority routes.Priority `json:"priority"`
	Text     string          `json:"text"`
	Meaning  string          `json:"meaning"`
	First    string          `json:"first"`
}

// leftover is an abort with the log that it is answered in, which stays open for that.
type leftover struct {
	abort
	log    *runlog.Writer
	count  *integrate.Coulometer
	memory memory
	alarms []snapshot.Alarm // the abort, as snapshots show it
}

// abortOf says what the end of a run leaves to be done, nil after the target. Without a target only
// what nightcell itself broke off counts.
func (r *run) abortOf(c *Cell, why string, utc time.Time) *abort {
	if r.reached || c.set.Plan == nil && len(r.acted) == 0 {
		return nil
	}
	cause := why
	if r.offWhy != "" {
		cause = "switched off, " + r.offWhy
	}
	a := &abort{
		Why: why, Since: utc, Priority: routes.High, Meaning: c.restMeaning(),
		Text:  "The run ended before its target: " + cause,
		First: "Take the cathode out, rinse it and dry it; weigh it before anything is begun again.",
	}
	if c.set.Plan != nil && r.standing.Confirmed > 0 {
		a.Text += fmt.Sprintf("; about %.3g g are on the cathode", r.standing.Confirmed*1e3)
	}
	a.Text += "."
	if a.Meaning == "" {
		a.Meaning = "What is on the cathode is less than planned."
	}
	if r.byHand {
		a.Priority = routes.Medium // somebody stood there
	}
	return a
}

// notice tells the abort as an alarm, which is reminded of like any other.
func (a *abort) notice(c *Cell, kind routes.Kind, state alerts.State, subject string) routes.Notice {
	return routes.Notice{
		Kind: kind, Condition: alerts.OutputOff.String(), Priority: a.Priority, State: state.String(), Since: a.Since,
		Subject: c.set.Cell + ": " + subject, Text: a.Text, Meaning: a.Meaning, First: a.First,
		Acknowledge: fmt.Sprintf("nightcell alarms ack %s %s, or the button on the page", c.set.Cell, alerts.OutputOff),
	}
}

// leave keeps an abort in view, with the log open.
func (c *Cell) leave(a *abort, log *runlog.Writer, count *integrate.Coulometer, m memory) {
	c.left = &leftover{abort: *a, log: log, count: count, memory: m, alarms: []snapshot.Alarm{{
		Condition: alerts.OutputOff.String(), State: alerts.UNACK.String(), Priority: a.Priority.String(), Since: a.Since,
		First: true, Text: a.Text, Meaning: a.Meaning, Action: a.First,
	}}}
}

// answerEnd acknowledges what an aborted run left to be done. It returns false when the order means another alarm.
func (c *Cell) answerEnd(ctx context.Context, a control.AlarmOrder) (bool, error) {
	return answer(ctx, c, func(context.Context) (bool, error) {
		if c.run != nil || c.left == nil || a.Condition != alerts.OutputOff.String() {
			return false, nil
		}
		utc := c.m.utc()
		n := c.left.notice(c, routes.Acknowledged, alerts.ACKED, "the end before the target acknowledged by "+a.By)
		n.ID, n.Cell, n.Supply, n.At = noticeID(c.set.Cell, utc), c.set.Cell, c.set.Supply, utc
		log := c.left.log
		err := errors.Join(
			log.Entry(utc, "acknowledged", "what the end before the target left to be done is in hand", runlog.Text("by", a.By)),
			logNotice(log, n), c.forget(utc))
		if err != nil || log.Health().Cause != nil {
			c.tell(n)
		}
		c.wake()
		c.set.Log.Info("the end before the target is acknowledged", "cell", c.set.Cell, "by", a.By)
		return true, err
	})
}

// forget ends an abort: it is no longer in the log's memory, and the log is closed.
func (c *Cell) forget(utc time.Time) error {
	l := c.left
	c.left = nil
	c.ending = append(c.ending, l.log)
	l.memory.Abort = nil
	b, err := json.Marshal(l.memory)
	if err != nil {
		return fmt.Errorf("putting the watch's memory into words: %w", err)
	}
	err = l.log.Checkpoint(utc, l.count, runlog.Text(memoryField, string(b)))
	c.closeEnded()
	return err
}

// pickUpEnd takes up what the run that ended last left to be done, if it did and nobody has answered yet.
func (c *Cell) pickUpEnd(dir string) error {
	c.last = dir
	log, tail, err := runlog.Resume(dir, c.logOptions())
	if err != nil {
		c.set.Log.Warn("what the run before left to be done cannot be read", "cell", c.set.Cell, "run", dir, "err", err)
		return nil
	}
	m, err := memoryOf(tail)
	if err != nil || m.Abort == nil || tail.Coulometer == nil {
		return log.Close()
	}
	r := &run{dir: dir, log: log, count: tail.Coulometer, totals: tail.Coulometer.Totals(), target: m.Target, shunted: m.Shunted,
		diskFree: math.NaN(), alarms: alerts.NewBoard(c.set.Limits, c.set.Chemistry)}
	if r.began, err = cursor.Began(dir); err != nil {
		return errors.Join(err, log.Close())
	}
	if p := c.set.Plan; p != nil && m.Bath != nil {
		if err := p.Resume(*m.Bath); err != nil {
			c.set.Log.Warn("the bath of the run before cannot be used", "cell", c.set.Cell, "err", err)
		}
		r.standing = p.Standing(0)
	}
	r.fill(c, &c.next)
	c.ended, c.final = m.Abort.Why, c.next
	c.leave(m.Abort, log, tail.Coulometer, *m)
	return nil
}
