package daemon

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// enter writes what a person saw or did into the run, and lets coulometer, bath and
// alarms follow it. The log comes first: what it does not take has not happened.
func (c *Cell) enter(ctx context.Context, e control.Entry) (control.Entered, error) {
	return answer(ctx, c, func(context.Context) (control.Entered, error) {
		if c.run == nil {
			return control.Entered{}, control.Refuse("cell %s has no open run to write into", c.set.Cell)
		}
		return c.run.enter(c, e)
	})
}

func (r *run) enter(c *Cell, e control.Entry) (done control.Entered, err error) {
	utc := r.time.stamp(r.time.now())
	if e.Kind == runlog.EntryEnd {
		if r.lastOn && c.link.up() {
			return done, control.Refuse("current still flows in cell %s, and a run is watched as long as it does; switch the output off first", c.set.Cell)
		}
		r.byHand = true
		r.end(c, "ended by "+e.By)
		return done, nil
	}
	if err := e.Check(); err != nil {
		return done, err
	}
	if err := r.plausible(c, e); err != nil {
		return done, err
	}
	switch e.Kind {
	case runlog.EntryZero:
		z := integrate.Zero{Amperes: e.Numbers["amperes"], Uncertainty: e.Numbers["standard_uncertainty"]}
		err = r.change(c, func(q *integrate.Coulometer) error { return q.SetZero(z) }, func() error { return r.log.Zero(utc, signed(e), z) })
		if err == nil {
			c.atRest = z.Amperes
		}
	case runlog.EntryCheck:
		k := integrate.Correction{Factor: e.Numbers["factor"], Uncertainty: e.Numbers["standard_uncertainty"]}
		err = r.change(c, func(q *integrate.Coulometer) error { return q.SetCorrection(k) }, func() error { return r.log.Check(utc, signed(e), k) })
	default:
		done, err = r.enterBath(c, utc, e)
	}
	if err != nil {
		return done, err
	}
	switch e.Kind {
	case bath.EntryAddition, bath.EntryWater, bath.EntryElectrode:
		r.alarms.Relearn("after an entry: " + e.Kind)
	}
	r.retarget(c, utc)
	r.note(c, r.checkpoint(c, utc))
	c.wake()
	return done, nil
}

// change makes a change of the coulometer that the log must tell: it is tried on a copy, written
// down, and then made, and the bath follows what it does to the charge that is counted already.
func (r *run) change(c *Cell, do func(*integrate.Coulometer) error, log func() error) error {
	trial, err := integrate.Restore(r.count.Settings(), r.count.State())
	if err == nil {
		err = do(trial)
	}
	if err != nil {
		return control.BadRequest("%v", err)
	}
	if err := log(); err != nil {
		return fmt.Errorf("nothing was changed: %w", err)
	}
	before := r.count.Totals().Charge
	if err := do(r.count); err != nil {
		return err // not after it went well on the copy
	}
	if p := c.set.Plan; p != nil {
		p.Model.Correct(r.count.Totals().Charge - before)
	}
	return nil
}

// enterBath judges an entry against the books of the bath, writes it down and books it.
func (r *run) enterBath(c *Cell, utc time.Time, e control.Entry) (done control.Entered, err error) {
	p, verdict := c.set.Plan, bath.Verdict{}
	if p != nil {
		if verdict, err = p.Judge(booking(e), bath.Moment{Amperes: math.Abs(float64(c.reading.Amperes)), ChargeDoubt: r.count.Totals().StandardUncertainty}); err != nil {
			return done, control.BadRequest("%v", err)
		}
	} else if e.Kind == bath.EntryConfirm {
		return done, control.BadRequest("cell %s has no bath in its configuration, so nothing waits to be confirmed", c.set.Cell)
	}
	against := strings.Join(verdict.Against, "; ")
	if against != "" && !e.Certain {
		return done, control.Contradiction("the %s contradicts the books, and nothing was entered: %s. With it, %s", e.Kind, against, verdict.Consequence())
	}
	if err := r.log.Entry(utc, e.Kind, e.Text, entryFields(e, verdict.Outcome)...); err != nil {
		return done, fmt.Errorf("nothing was entered: %w", err)
	}
	if p == nil {
		return done, nil
	}
	note, err := p.Book(booking(e), verdict.Outcome)
	if err != nil {
		return done, err // not after Judge has booked it on trial
	}
	if note != "" {
		done.Notes = append(done.Notes, note)
	}
	if text := r.tellVerdict(c, utc, e, verdict); text != "" {
		done.Notes = append(done.Notes, text)
	}
	return done, nil
}

// tellVerdict tells every route of an entry that contradicts the books or settles one that did.
func (r *run) tellVerdict(c *Cell, utc time.Time, e control.Entry, v bath.Verdict) string {
	n := routes.Notice{Kind: routes.Milestone, Priority: routes.High}
	against := strings.Join(v.Against, "; ")
	switch {
	case v.Outcome == bath.Held:
		n.Priority = routes.Highest // the stop may have moved: no route is kept for something more urgent
		n.Subject = fmt.Sprintf("%s: %s taken against the books, %s", c.set.Cell, e.Kind, v.Consequence())
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s. Until it is confirmed the earlier of both targets acts.", e.By, against, v.Consequence())
		n.First = fmt.Sprintf("Look whether it is a slip. Another person confirms it: nightcell enter %s confirm, or the page. Anyone may enter a new assay: it confirms the entry, or takes it back.", c.set.Cell)
	case v.Outcome == bath.Confirmed:
		n.Subject = c.set.Cell + ": an entry is confirmed"
		n.Text = fmt.Sprintf("%s confirmed by %s the entry that contradicted the books; its target acts alone now.", e.By, e.Kind)
		if e.Kind == bath.EntryConfirm {
			n.Text = e.By + " confirmed the entry that contradicted the books; its target acts alone now."
		}
	case v.Outcome == bath.Withdrawn:
		n.Subject = c.set.Cell + ": an entry is taken back"
		n.Text = fmt.Sprintf("The %s by %s agrees with the books as they were before the entry that contradicted them, so that entry is taken back: %s.", e.Kind, e.By, v.Consequence())
	case against != "":
		n.Priority = routes.Highest
		n.Subject = fmt.Sprintf("%s: %s taken against the books", c.set.Cell, e.Kind)
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s.", e.By, against, v.Consequence())
		n.First = "Look whether it is a slip, or what is wrong at the cell."
	default:
		return ""
	}
	r.notice(c, utc, n)
	return n.Text
}

// booking is the part of an entry that the bath knows.
func booking(e control.Entry) bath.Entry {
	return bath.Entry{Kind: e.Kind, By: e.By, Numbers: e.Numbers, Words: e.Words}
}

// outcomeField is the name under which the log keeps how an entry was booked.
const outcomeField = "outcome"

// entryFields are what the log keeps of an entry besides kind and text.
func entryFields(e control.Entry, o bath.Outcome) []runlog.Field {
	fields := []runlog.Field{runlog.Text("by", e.By)}
	if !e.At.IsZero() {
		fields = append(fields, runlog.Integer("happened", e.At.UnixNano()))
	}
	if e.Certain {
		fields = append(fields, runlog.Flag("certain", true))
	}
	if o != bath.Plain {
		fields = append(fields, runlog.Text(outcomeField, string(o)))
	}
	for _, name := range sortedNames(e.Numbers) {
		fields = append(fields, runlog.Number(name, e.Numbers[name]))
	}
	for _, name := range sortedNames(e.Words) {
		fields = append(fields, runlog.Text(name, e.Words[name]))
	}
	return fields
}

// signed is the text of an entry whose line has no room for who and when.
func signed(e control.Entry) string {
	text := fmt.Sprintf("%s (by %s", e.Text, e.By)
	if !e.At.IsZero() {
		text += ", of " + e.At.Format(time.RFC3339)
	}
	return strings.TrimSpace(text + ")")
}

// plausible refuses figures that no certainty can make true.
func (r *run) plausible(c *Cell, e control.Entry) error {
	n := e.Numbers
	now := r.time.stamp(r.time.now())
	largest := math.Max(10*c.set.Count.OffsetAmperes, 0.05)
	switch {
	case e.At.After(now.Add(time.Minute)):
		return control.BadRequest("%s has yet to come; say when it was", e.At.Local().Format(time.DateTime))
	case !e.At.IsZero() && e.At.Before(r.began.Add(-7*24*time.Hour)):
		return control.BadRequest("%s is more than a week before the run began, %s", e.At.Local().Format(time.DateTime), r.began.Local().Format(time.DateTime))
	case e.Kind == runlog.EntryZero && !(math.Abs(n["amperes"]) <= largest):
		return control.BadRequest("a zero of %.3g A is no offset of this supply: at most %.3g A is; it is what the ammeter shows while no current flows", n["amperes"], largest)
	case e.Kind == runlog.EntryCheck && !(n["factor"] >= 0.8 && n["factor"] <= 1.25):
		return control.BadRequest("a factor of %.4g cannot be: true current over reading is above zero and within 20 %% of 1, such as 1.002", n["factor"])
	}
	if ph, ok := n[bath.EnteredPH]; ok && !(ph >= -2 && ph <= 16) {
		return control.BadRequest("a pH of %.3g cannot be; it lies from -2 to 16", ph)
	}
	return nil
}

// retarget looks whether an entry has moved a target away that was reached before.
func (r *run) retarget(c *Cell, utc time.Time) {
	if !r.reached || r.offExpected || c.set.Plan == nil {
		return
	}
	if left, _ := c.set.Plan.Remaining(math.Abs(float64(c.reading.Amperes))); left > 0 {
		r.reached = false
		delete(r.acted, alerts.TargetReached)
		r.note(c, r.log.Entry(utc, "target", fmt.Sprintf("the target has moved away: %.6g A·h are left", left/3600)))
	}
}

// followEntries books entries that were logged after the last checkpoint.
func (r *run) followEntries(c *Cell, records []runlog.Record) {
	for i := range records {
		rec := &records[i]
		if rec.Kind != runlog.KindEntry {
			continue
		}
		e := bath.Entry{Kind: rec.Text("kind"), By: rec.Text("by"), Numbers: map[string]float64{}, Words: map[string]string{}}
		for _, f := range rec.Fields {
			switch v := f.Value.(type) {
			case float64:
				e.Numbers[f.Key] = v
			case string:
				e.Words[f.Key] = v
			}
		}
		if _, err := c.set.Plan.Book(e, bath.Outcome(rec.Text(outcomeField))); err != nil {
			c.set.Log.Warn("an entry in the log cannot be followed", "cell", c.set.Cell, "kind", e.Kind, "err", err)
		}
	}
}
