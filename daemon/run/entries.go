package run

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
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
	if err := r.plausible(e); err != nil {
		return done, err
	}
	switch e.Kind {
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
		done, err = r.enterBath(utc, e)
	}
	if err != nil {
		return done, err
	}
	switch e.Kind {
	case bath.EntryAddition, bath.EntryWater, bath.EntryElectrode:
		r.alarms.Relearn("after an entry: " + e.Kind)
	}
	r.retarget(utc)
	r.checkpoint()
	r.settings.wake()
	return done, nil
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
		if verdict, err = p.Judge(booking(e), bath.Moment{Amperes: math.Abs(float64(r.reading.Amperes)), ChargeDoubt: r.count.Totals().StandardUncertainty}); err != nil {
			return done, control.BadRequest("%v", err)
		}
	} else if e.Kind == bath.EntryConfirm {
		return done, control.BadRequest("cell %s has no bath in its configuration, so nothing waits to be confirmed", r.settings.Cell)
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
	if text := r.noticeOfVerdict(utc, e, verdict); text != "" {
		done.Notes = append(done.Notes, text)
	}
	return done, nil
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
	for _, name := range slices.Sorted(maps.Keys(e.Numbers)) {
		fields = append(fields, runlog.Number(name, e.Numbers[name]))
	}
	for _, name := range slices.Sorted(maps.Keys(e.Words)) {
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
func (r *Run) plausible(e control.Entry) error {
	n := e.Numbers
	now := r.utc()
	largest := math.Max(10*r.settings.Count.OffsetAmperes, 0.05)
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

// followEntries books entries that were logged after the last checkpoint.
func (r *Run) followEntries(records []runlog.Record) {
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
		if _, err := r.settings.Plan.Book(e, bath.Outcome(rec.Text(outcomeField))); err != nil {
			r.settings.Log.Warn("an entry in the log cannot be followed", "cell", r.settings.Cell, "kind", e.Kind, "err", err)
		}
	}
}
