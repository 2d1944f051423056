package late

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// account is how a run stood at the time of an entry.
type account struct {
	plan    *bath.Plan // nil: the run has no bath, or its configuration cannot be read
	unknown string     // why plan is nil, in a sentence
	count   *integrate.Coulometer
	over    bool      // the run had ended
	end     time.Time // of its readings so far
}

// accountAt takes the account from the log, with the late entries that count by then; a zero time is that of the end.
func accountAt(runDir string, w *runlog.LateWriter, at time.Time) (a *account, err error) {
	a = &account{count: w.Tail.Coulometer, over: w.Tail.Ended, end: time.Unix(0, w.Tail.Last.Nanos)}
	checkpoint := w.Tail.Checkpoint
	if !at.IsZero() && at.UnixNano() < w.Tail.LastNanos {
		a.over = false
		if checkpoint, a.count, err = runlog.CheckpointAt(runDir, at.UnixNano()); err != nil {
			return nil, err
		}
		if a.count == nil { // before the run
			a.count = integrate.NewCoulometer(w.Tail.Coulometer.Settings())
		}
	}
	followed, err := a.resume(runDir, w.Tail.Cell, checkpoint)
	switch {
	case err != nil:
		a.unknown = fmt.Sprintf("Not checked against the bath: %s.", strings.TrimSuffix(err.Error(), "."))
	case a.plan == nil:
		a.unknown = "The configuration of this run has no bath, so no metal can be computed."
	}
	for _, r := range runlog.Counting(w.Records) {
		e := control.EntryOf(&r)
		if !at.IsZero() && e.At.After(at) {
			continue
		}
		if r.Nanos <= followed {
			continue
		}
		_ = r.Correct(a.count) // it could be done when it was entered
		if a.plan != nil {
			_, _ = a.plan.Book(e.Booking(), bath.Plain) // likewise
		}
	}
	return a, nil
}

// resume makes the plan of the run, with the bath as a checkpoint has it, and returns the time stamp of the last late
// entry that the bath has in it.
func (a *account) resume(runDir, cell string, checkpoint *runlog.Record) (followed int64, err error) {
	_, plan, err := books.Frozen(runDir, cell)
	if err != nil || plan == nil {
		return 0, err
	}
	var memory struct { // what the watch writes into its checkpoints of it
		Bath    *bath.State `json:"bath"`
		Shunted float64     `json:"shunted"`
		Late    int64       `json:"late"`
	}
	if checkpoint != nil && checkpoint.Text("watch") != "" {
		if err = json.Unmarshal([]byte(checkpoint.Text("watch")), &memory); err == nil && memory.Bath != nil {
			err = plan.Resume(*memory.Bath)
		}
		if err != nil {
			return 0, fmt.Errorf("the bath in the last checkpoint cannot be read: %w", err)
		}
	}
	a.plan = plan
	t := a.count.Totals()
	if behind := t.Charge - memory.Shunted - plan.Model.Charge(); behind > 0 { // since the checkpoint
		plan.Model.Step(behind, math.Max(t.Elapsed.Seconds()-plan.Model.State().Seconds, 1))
	}
	return memory.Late, nil
}

// judge says how an entry contradicts the account, and in a sentence what it does to it.
func (a *account) judge(w *runlog.LateWriter, e control.Entry) (against []string, said string, err error) {
	if twin := same(w, e); twin != "" {
		against = append(against, twin)
	}
	if e.Kind == bath.EntryDried && !a.over {
		against = append(against, fmt.Sprintf("a deposit is dried after the run, whose last reading was at %s", a.end.Local().Format(time.DateTime)))
	}
	switch e.Kind {
	case runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle:
		before := charge(a.count)
		r := runlog.Record{Fields: append(e.LogFields(), runlog.Text("kind", e.Kind))}
		if err := r.Correct(a.count); err != nil {
			return nil, "", control.BadRequest("%v", err)
		}
		return against, fmt.Sprintf("charge %s → %s", before, charge(a.count)), nil
	case control.EntryCost:
		sum := e.Numbers[control.CostAmount]
		for _, r := range runlog.Counting(w.Records) {
			if x, _ := r.Number(control.CostAmount); r.Text("kind") == e.Kind && r.Text("currency") == e.Words["currency"] {
				sum += x
			}
		}
		return against, fmt.Sprintf("costs of the run so far: %.2f %s", sum, e.Words["currency"]), nil
	}
	if a.plan == nil {
		return against, "", nil
	}
	before := a.plan.Left().Value
	v, err := a.plan.Judge(e.Booking(), bath.Moment{ChargeDoubt: a.count.Totals().StandardUncertainty})
	if err != nil {
		return nil, "", control.BadRequest("%v", err)
	}
	against = append(against, v.Against...)
	deposit, _ := a.plan.Weighed(e.Booking())
	_, _ = a.plan.Book(e.Booking(), bath.Plain) // not after Judge has booked it on trial
	switch metal := a.plan.Metal.Element.Name; {
	case (e.Kind == bath.EntryWeighing || e.Kind == bath.EntryDried) && deposit.Known():
		said = a.efficiency(deposit)
	case v.Dose != "":
		said = v.Consequence()
	case e.Booking().Moves():
		said = fmt.Sprintf("%s left in the bath: %.4g g → %.4g g", metal, before*1e3, a.plan.Left().Value*1e3)
	}
	return against, said, nil
}

// efficiency says what a weighed deposit makes of the charge.
func (a *account) efficiency(deposit matter.Figure) string {
	t, metal := a.count.Totals(), a.plan.Metal.Element.Name
	if !(t.Charge > 0) || !(deposit.Value > 0) {
		return ""
	}
	most := t.Charge * a.plan.Metal.Equivalent(a.plan.Valence).Value
	share := matter.Figure{Value: deposit.Value / most}
	share.StandardUncertainty = share.Value * math.Hypot(deposit.Relative(), t.StandardUncertainty/t.Charge)
	return fmt.Sprintf("%s of %s weighed, and %s can give %.4g g: current efficiency %s by weighing, %.3g %% by model", report.Show(deposit, report.Grams), metal,
		charge(a.count), most*1e3, report.Show(share, report.Percent), a.plan.Model.Overall()*100)
}

func charge(c *integrate.Coulometer) string {
	t := c.Totals()
	return report.Show(matter.Figure{Value: t.Charge, StandardUncertainty: t.StandardUncertainty}, report.AmpereHours)
}
