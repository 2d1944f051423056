package run

import (
	"cmp"
	"fmt"
	"math"
	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"slices"
	"strings"
	"time"
)

// Enter writes what a person saw or did into the run, and lets coulometer, bath and
// alarms follow it. The log comes first: what it does not take has not happened.
func (r *Run) Enter(f *Facts, e control.Entry) (done control.Entered, err error) {
	r.Learn(f)
	utc := r.utc()
	if e.Kind == runlog.EntryEnd && !e.Trial {
		if r.LastOn && r.supply.Up {
			return done, control.Refuse("current still flows in cell %s; switch the output off first", r.settings.Cell)
		}
		r.byHand = true
		r.end("ended by " + e.By)
		return done, nil
	}
	if err := e.Check(); err != nil {
		return done, err
	}
	if err := e.Plausible(utc, r.Began, r.settings.Count.OffsetAmperes); err != nil {
		return done, err
	}
	if e.Words[control.GapOff] != "" {
		if e, err = r.settleOff(e, time.Local); err != nil {
			return done, err
		}
	}
	before := r.count.Totals().Charge
	after, counted, err := r.enterCount(e)
	if !counted {
		done, err = r.enterBath(utc, e)
	} else if err == nil {
		if !e.Trial {
			done.Name = r.log.LastName()
		}
		done.Notes = []string{fmt.Sprintf("charge %.6g A·h → %.6g A·h", before/3600, after/3600)}
	}
	if n := e.Numbers; err == nil && e.Kind == runlog.EntrySettle {
		done.Notes = append(done.Notes, fmt.Sprintf("gap %g is booked as %s A·h", n[control.GapIndex], quantity.Interval(n["best"]/3600, n["low"]/3600, n["high"]/3600)))
	}
	if err != nil || e.Trial {
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

// enterCount writes down and makes what an entry changes of the coulometer, and reports the charge in C with it and whether it is of a kind
// that does.
//
// The change is tried on a copy, written down, and then made, and the bath follows what it does to the charge that is counted already. A
// trial ends with the copy.
func (r *Run) enterCount(e control.Entry) (after float64, counted bool, err error) {
	switch e.Kind {
	case runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle:
	default:
		return 0, false, nil
	}
	fields := e.LogFields()
	line := runlog.Record{Fields: append([]runlog.Field{runlog.Text("kind", e.Kind)}, fields...)}
	copied, err := integrate.Restore(r.count.Settings(), r.count.State())
	if err == nil {
		err = line.Correct(copied)
	}
	if err != nil {
		return 0, true, control.BadRequest("%v", err)
	}
	after = copied.Totals().Charge
	if e.Trial {
		return after, true, nil
	}
	if err := r.log.Entry(r.utc(), e.Kind, e.Text, fields...); err != nil {
		return 0, true, fmt.Errorf("nothing was changed: %w", err)
	}
	before := r.count.Totals().Charge
	if err := line.Correct(r.count); err != nil {
		return 0, true, err // not after it went well on the copy
	}
	if p := r.settings.Plan; p != nil {
		p.Model.Correct(after - before)
	}
	if e.Kind == runlog.EntryZero {
		r.atRest = e.Numbers["amperes"]
	}
	return after, true, nil
}

// enterBath judges an entry against the books of the bath, writes it down and books it.
func (r *Run) enterBath(utc time.Time, e control.Entry) (done control.Entered, err error) {
	p, verdict := r.settings.Plan, bath.Verdict{}
	if p != nil {
		if verdict, err = p.Judge(e.Booking(), r.moment()); err != nil {
			return done, control.BadRequest("%v", err)
		}
	} else if e.Kind == bath.EntryConfirm {
		return done, control.BadRequest("cell %s has no bath in its configuration, so there is nothing to confirm", r.settings.Cell)
	}
	against := strings.Join(verdict.Against, "; ")
	if against != "" && !e.Certain {
		return done, control.Contradiction("the %s is not entered: %s. With it, %s", e.Kind, against, verdict.Consequence())
	}
	if e.Trial {
		if e.Booking().Moves() {
			done.Notes = append(done.Notes, verdict.Consequence())
		}
		return done, nil
	}
	fields := e.LogFields()
	if verdict.Outcome != bath.Plain {
		fields = append(fields, runlog.Text(outcomeField, string(verdict.Outcome)))
	}
	if err := r.log.Entry(utc, e.Kind, e.Text, fields...); err != nil {
		return done, fmt.Errorf("not entered: %w", err)
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

// followLate lets charge and bath follow what was entered beside the log, as is done while nobody watches, each entry
// once: the memory keeps up to where. It reports whether there was any.
func (r *Run) followLate() (followed bool, err error) {
	now, changed := runlog.LateFile(r.dir, r.lateFile)
	if !changed {
		return false, nil
	}
	late, err := runlog.LateEntries(r.dir)
	if r.lateFile = now; err != nil {
		r.lateFile = nil
	}
	for i := range late {
		rec := &late[i]
		if rec.Nanos <= r.Late {
			continue
		}
		r.Late, followed = rec.Nanos, true
		e := control.EntryOf(rec)
		r.note(r.log.Entry(r.utc(), "followed", fmt.Sprintf("the %s by %s from late.lp", e.Kind, e.By), runlog.Text(runlog.RetractedEntry, rec.Name())))
		corrects := e
		corrects.By = "" // the entry stands beside the log, and is nobody's a second time
		switch _, counted, err := r.enterCount(corrects); {
		case counted:
			r.note(err)
		case r.settings.Plan != nil:
			r.followBath(e)
		}
		r.retarget(r.utc())
	}
	return followed, err
}

// followBath books what was entered beside the log by what the books say now, and not at its time: what contradicts
// them waits to be confirmed as if it were entered here, so that the earlier of both targets acts.
func (r *Run) followBath(e control.Entry) {
	p := r.settings.Plan
	v, err := p.Judge(e.Booking(), r.moment())
	if err == nil {
		_, err = p.Book(e.Booking(), v.Outcome)
	}
	if err != nil {
		r.settings.Log.Warn("an entry cannot be applied", "cell", r.settings.Cell, "kind", e.Kind, "err", err)
		return
	}
	r.noticeOfVerdict(r.utc(), e, v)
}

// moment is what the bath must know of the run to judge an entry.
func (r *Run) moment() bath.Moment {
	return bath.Moment{Amperes: math.Abs(float64(r.reading.Amperes)), ChargeDoubt: r.count.Totals().StandardUncertainty}
}

// noticeOfVerdict tells every route of an entry that contradicts the books or settles one that did.
func (r *Run) noticeOfVerdict(utc time.Time, e control.Entry, v bath.Verdict) string {
	n := routes.Notice{Kind: routes.Milestone, Priority: alerts.High}
	against := strings.Join(v.Against, "; ")
	switch {
	case v.Outcome == bath.Held:
		n.Priority = alerts.Highest // the stop may have moved: no route is kept for something more urgent
		n.Subject = fmt.Sprintf("%s: %s accepted against the mass balance, %s", r.settings.Cell, e.Kind, v.Consequence())
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s. Until it is confirmed the earlier of the two targets applies.", e.By, against, v.Consequence())
		n.First = fmt.Sprintf("Check it for a slip. Another person can confirm it: nightcell enter %s confirm, or the page. A new assay confirms or retracts it.", r.settings.Cell)
	case v.Outcome == bath.Confirmed:
		n.Subject = r.settings.Cell + ": entry confirmed"
		n.Text = fmt.Sprintf("%s confirmed by %s the entry that contradicted the mass balance; its target now applies.", e.By, e.Kind)
		if e.Kind == bath.EntryConfirm {
			n.Text = e.By + " confirmed the entry that contradicted the mass balance; its target now applies."
		}
	case v.Outcome == bath.Withdrawn:
		n.Subject = r.settings.Cell + ": entry retracted"
		n.Text = fmt.Sprintf("The %s by %s agrees with the mass balance before the contradicting entry, so that entry is retracted: %s.", e.Kind, e.By, v.Consequence())
	case against != "":
		n.Priority = alerts.Highest
		n.Subject = fmt.Sprintf("%s: %s accepted against the mass balance", r.settings.Cell, e.Kind)
		n.Text = fmt.Sprintf("%s entered it as certain: %s. With it, %s.", e.By, against, v.Consequence())
		n.First = "Check it for a slip, or find out what is wrong at the cell."
	default:
		return ""
	}
	r.Notice(utc, n)
	return n.Text
}

// clockReading is how far a time that a person read off a clock may be wrong; common practice, no source.
const clockReading = time.Minute

// settleOff works out the charges of a gap in which the output was off from a time on: until then the
// current of the reading before it flowed, and the time is good to clockReading. A time of day is of the zone.
func (r *Run) settleOff(e control.Entry, zone *time.Location) (control.Entry, error) {
	for _, g := range r.count.Gaps() {
		if float64(g.Index) != e.Numbers[control.GapIndex] {
			continue
		}
		from, to := r.time.stamp(g.From).In(zone), r.time.stamp(g.To).In(zone)
		off, err := momentWithin(e.Words[control.GapOff], from, to)
		if err != nil {
			return e, err
		}
		charge := func(d time.Duration) float64 {
			return g.AmperesBefore * min(max(d, 0), g.Length()).Seconds()
		}
		on := off.Sub(from)
		low, best, high := charge(on-clockReading), charge(on), charge(on+clockReading)
		e.Numbers = map[string]float64{control.GapIndex: float64(g.Index), "low": min(low, high), "best": best, "high": max(low, high)}
		e.Text = cmp.Or(e.Text, "off from "+off.Format(time.RFC3339))
		break
	}
	return e, nil // the coulometer refuses any other, and tells a gap that never was from one that is no longer kept apart
}

// momentWithin reads a time of day, or a whole time with its zone, that lies between from and to. A
// time of day is the first such one after from, in the zone of from; where the clock was changed meanwhile and it
// came twice, it has to be a whole time.
func momentWithin(text string, from, to time.Time) (time.Time, error) {
	within := func(at time.Time) bool {
		return !at.Before(from.Add(-clockReading)) && !at.After(to.Add(clockReading))
	}
	at, err := time.Parse(time.RFC3339, text)
	if err == nil && within(at) {
		return at, nil
	}
	clock, notOfDay := time.Parse("15:04", text)
	if err != nil && notOfDay != nil {
		return at, control.BadRequest("off %q is not a time; write 02:10 or 2026-03-01T02:10:00+01:00", text)
	}
	var found []time.Time
	for day := 0; day < 2 && notOfDay == nil && len(found) == 0; day++ {
		for _, zoned := range []time.Time{from, to} {
			_, east := zoned.Zone()
			y, m, d := from.Date()
			at := time.Date(y, m, d+day, clock.Hour(), clock.Minute(), 0, 0, time.FixedZone("", east)).In(from.Location())
			if at.Format("15:04") == clock.Format("15:04") && within(at) && !slices.ContainsFunc(found, at.Equal) {
				found = append(found, at)
			}
		}
	}
	switch len(found) {
	case 0:
		return at, control.BadRequest("off %s is outside the gap, from %s to %s",
			text, from.Format(time.DateTime), to.Format(time.DateTime+" MST"))
	case 1:
		return found[0], nil
	}
	return at, control.BadRequest("off %s occurs twice in the gap, because the clock was changed; write %s or %s",
		text, found[0].Format(time.RFC3339), found[1].Format(time.RFC3339))
}
