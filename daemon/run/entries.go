package run

import (
	"fmt"
	"math"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"strings"
	"time"
)

// Enter writes what a person saw or did into the run, and lets coulometer, bath and
// alarms follow it. The log comes first: what it does not take has not happened.
func (r *Run) Enter(f Facts, e control.Entry) (done control.Entered, err error) {
	r.Learn(f)
	utc := r.utc()
	if e.Kind == runlog.EntryEnd {
		if r.lastOn && r.supply.Up {
			return done, control.Refuse("current still flows in cell %s, and a run is watched as long as it does; switch the output off first", r.settings.Cell)
		}
		r.byHand = true
		r.end("ended by " + e.By)
		return done, nil
	}
	if err := e.Check(); err != nil {
		return done, err
	}
	if err := e.Plausible(utc, r.began, r.settings.Count.OffsetAmperes); err != nil {
		return done, err
	}
	counted, err := r.enterCount(e)
	if !counted {
		done, err = r.enterBath(utc, e)
	}
	if err != nil {
		return done, err
	}
	switch e.Kind {
	case bath.EntryAddition, bath.EntryDose, bath.EntryWater, bath.EntryElectrode:
		r.alarms.Relearn("after an entry: " + e.Kind)
	}
	r.retarget(utc)
	r.checkpoint()
	r.settings.wake()
	return done, nil
}

// enterCount writes down and makes what an entry changes of the coulometer, and reports whether it is of a kind that does.
func (r *Run) enterCount(e control.Entry) (counted bool, err error) {
	switch utc := r.utc(); e.Kind {
	case runlog.EntryZero:
		z := integrate.Zero{Amperes: e.Numbers["amperes"], Uncertainty: e.Numbers["standard_uncertainty"]}
		err = r.change(func(q *integrate.Coulometer) error { return q.SetZero(z) }, func() error { return r.log.Zero(utc, signed(e), z) })
		if err == nil {
			r.atRest = z.Amperes
		}
	case runlog.EntryCheck:
		k := integrate.Correction{Factor: e.Numbers["factor"], Uncertainty: e.Numbers["standard_uncertainty"]}
		err = r.change(func(q *integrate.Coulometer) error { return q.SetCorrection(k) }, func() error { return r.log.Check(utc, signed(e), k) })
	default:
		return false, nil
	}
	return true, err
}

// change makes a change of the coulometer that the log must tell: it is tried on a copy, written
// down, and then made, and the bath follows what it does to the charge that is counted already.
func (r *Run) change(do func(*integrate.Coulometer) error, log func() error) error {
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
	if p := r.settings.Plan; p != nil {
		p.Model.Correct(r.count.Totals().Charge - before)
	}
	return nil
}

// enterBath judges an entry against the books of the bath, writes it down and books it.
func (r *Run) enterBath(utc time.Time, e control.Entry) (done control.Entered, err error) {
	p, verdict := r.settings.Plan, bath.Verdict{}
	if p != nil {
		if verdict, err = p.Judge(e.Booking(), bath.Moment{Amperes: math.Abs(float64(r.reading.Amperes)), ChargeDoubt: r.count.Totals().StandardUncertainty}); err != nil {
			return done, control.BadRequest("%v", err)
		}
	} else if e.Kind == bath.EntryConfirm {
		return done, control.BadRequest("cell %s has no bath in its configuration, so nothing waits to be confirmed", r.settings.Cell)
	}
	against := strings.Join(verdict.Against, "; ")
	if against != "" && !e.Certain {
		return done, control.Contradiction("the %s contradicts the books, and nothing was entered: %s. With it, %s", e.Kind, against, verdict.Consequence())
	}
	fields := e.LogFields()
	if verdict.Outcome != bath.Plain {
		fields = append(fields, runlog.Text(outcomeField, string(verdict.Outcome)))
	}
	if err := r.log.Entry(utc, e.Kind, e.Text, fields...); err != nil {
		return done, fmt.Errorf("nothing was entered: %w", err)
	}
	done.Name = r.log.LastName()
	if p == nil {
		return done, nil
	}
	note, err := p.Book(e.Booking(), verdict.Outcome)
	if err != nil {
		return done, err // not after Judge has booked it on trial
	}
	if note != "" {
		done.Notes = append(done.Notes, note)
	}
	if text := r.noticeOfVerdict(utc, e, verdict); text != "" {
		done.Notes = append(done.Notes, text)
	} else if e.Booking().Moves() {
		done.Notes = append(done.Notes, verdict.Consequence())
	}
	return done, nil
}

// outcomeField is the name under which the log keeps how an entry was booked.
const outcomeField = "outcome"

// signed is the text of an entry whose line has no room for who and when.
func signed(e control.Entry) string {
	text := fmt.Sprintf("%s (by %s", e.Text, e.By)
	if !e.At.IsZero() {
		text += ", of " + e.At.Format(time.RFC3339)
	}
	return strings.TrimSpace(text + ")")
}

// followEntries books entries that were logged after the last checkpoint.
func (r *Run) followEntries(records []runlog.Record) {
	for i := range records {
		if records[i].Kind == runlog.KindEntry {
			r.book(&records[i])
		}
	}
}

// book books an entry as it was booked when it was written.
func (r *Run) book(rec *runlog.Record) {
	if _, err := r.settings.Plan.Book(control.EntryOf(rec).Booking(), bath.Outcome(rec.Text(outcomeField))); err != nil {
		r.settings.Log.Warn("an entry cannot be followed", "cell", r.settings.Cell, "kind", rec.Text("kind"), "err", err)
	}
}

// followLate lets charge and bath follow what was entered beside the log, as is done while nobody watches, each entry
// once: the memory keeps up to where. It reports whether there was any.
func (r *Run) followLate() (followed bool, err error) {
	late, err := runlog.LateEntries(r.dir)
	for i := range late {
		rec := &late[i]
		if rec.Nanos <= r.late {
			continue
		}
		r.late, followed = rec.Nanos, true
		e := control.EntryOf(rec)
		r.note(r.log.Entry(r.utc(), "followed", "the "+e.Kind+" that was entered beside the log", runlog.Text(runlog.RetractedEntry, rec.Name())))
		if counted, err := r.enterCount(e); counted {
			r.note(err)
		} else if r.settings.Plan != nil {
			r.book(rec)
		}
		r.retarget(r.utc())
	}
	return followed, err
}

// noticeOfVerdict tells every route of an entry that contradicts the books or settles one that did.
func (r *Run) noticeOfVerdict(utc time.Time, e control.Entry, v bath.Verdict) string {
	n := routes.Notice{Kind: routes.Milestone, Priority: routes.High}
	against := strings.Join(v.Against, "; ")
	switch {
	case v.Outcome == bath.Held:
		n.Priority = routes.Highest // the stop may have moved: no route is kept for something more urgent
		n.Subject = fmt.Sprintf("%s: %s taken against the books, %s", r.settings.Cell, e.Kind, v.Consequence())
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s. Until it is confirmed the earlier of both targets acts.", e.By, against, v.Consequence())
		n.First = fmt.Sprintf("Look whether it is a slip. Another person confirms it: nightcell enter %s confirm, or the page. Anyone may enter a new assay: it confirms the entry, or takes it back.", r.settings.Cell)
	case v.Outcome == bath.Confirmed:
		n.Subject = r.settings.Cell + ": an entry is confirmed"
		n.Text = fmt.Sprintf("%s confirmed by %s the entry that contradicted the books; its target acts alone now.", e.By, e.Kind)
		if e.Kind == bath.EntryConfirm {
			n.Text = e.By + " confirmed the entry that contradicted the books; its target acts alone now."
		}
	case v.Outcome == bath.Withdrawn:
		n.Subject = r.settings.Cell + ": an entry is taken back"
		n.Text = fmt.Sprintf("The %s by %s agrees with the books as they were before the entry that contradicted them, so that entry is taken back: %s.", e.Kind, e.By, v.Consequence())
	case against != "":
		n.Priority = routes.Highest
		n.Subject = fmt.Sprintf("%s: %s taken against the books", r.settings.Cell, e.Kind)
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s.", e.By, against, v.Consequence())
		n.First = "Look whether it is a slip, or what is wrong at the cell."
	default:
		return ""
	}
	r.Notice(utc, n)
	return n.Text
}
