// Package late takes what a person enters into a run that no watch writes any more, or none does for the moment: the
// deposit weighed the morning after, what was discarded, what it cost. The entry is judged by the account as it
// stood at its time, and stands beside the sealed log (runlog.LateEntries).
package late

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// Enter writes an entry beside the log of a run. What contradicts the account by more than its doubt is
// refused with an error of control.Contradiction, unless the entry says that it is certain. Entries of the kind
// settle have index, low, best and high in C. now is the time of the machine.
func Enter(runDir string, e control.Entry, now time.Time) (done control.Entered, err error) {
	w, err := runlog.OpenLate(runDir)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	if w.Cell() != e.Cell {
		return done, control.BadRequest("%s is a run of cell %s, not of %s", runDir, w.Cell(), e.Cell)
	}
	if w.Tail.Coulometer == nil {
		return done, control.Refuse("the log of %s does not tell how the run began; nightcell verify says what is wrong with it", runDir)
	}
	if last := time.Unix(0, w.Tail.LastNanos); now.Before(last) {
		now = last // a clock that went back, or a run on a fast one
	}
	taken, err := check(runDir, w, e, now)
	if err != nil {
		return done, err
	}
	a, err := accountAt(runDir, w, e.At)
	if err != nil {
		return done, err
	}
	against, said, err := a.judge(w, e)
	if err != nil {
		return done, err
	}
	if len(against) > 0 && !e.Certain {
		if said != "" {
			said = ". With it, " + said
		}
		return done, control.Contradiction("the %s contradicts the account of the run, and nothing was entered: %s%s", e.Kind, strings.Join(against, "; "), said)
	}
	r, err := w.Append(now, e.Kind, e.Text, e.LogFields()...)
	if err != nil {
		return done, err
	}
	done.Name = r.Name()
	for _, note := range []string{strings.Join(against, "; "), said, taken, a.unknown} {
		if note != "" {
			done.Notes = append(done.Notes, note)
		}
	}
	if !w.Tail.Ended {
		done.Notes = append(done.Notes, "The run has not ended. A watch of it follows this at its next look beside the log, or when it takes the run up.")
	}
	return done, nil
}

// check refuses what cannot be an entry of this run, whatever is certain. Of a retraction it says what that takes back.
func check(runDir string, w *runlog.LateWriter, e control.Entry, now time.Time) (taken string, err error) {
	if e.Kind != runlog.EntrySettle {
		if err := e.Check(); err != nil {
			return "", err
		}
	}
	began, err := beginning(runDir)
	if err != nil {
		return "", err
	}
	if err := e.Plausible(now, began, w.Tail.Coulometer.Settings().OffsetAmperes); err != nil || e.Kind != runlog.EntryRetract {
		return "", err
	}
	all, err := runlog.PersonsEntries(runDir)
	if err != nil {
		return "", err
	}
	name := e.Words[runlog.RetractedEntry]
	named := func(r runlog.Record) bool { return r.Name() == name }
	i := slices.IndexFunc(all, named)
	if i < 0 {
		return "", control.Unknown("the run %s has no entry %q; nightcell enter %s list shows their names", filepath.Base(runDir), name, e.Cell)
	}
	kind, followed := all[i].Text("kind"), all[i].Nanos <= w.Tail.LastNanos // by a watch, which wrote on
	switch {
	case kind != runlog.EntryRetract && !slices.ContainsFunc(runlog.Counting(all), named):
		return "", control.Refuse("the %s %s was taken back before", kind, name)
	case followed && !w.Tail.Ended && (control.EntryOf(&all[i]).Booking().Moves() || kind == bath.EntryElectrode):
		return "", control.Refuse("the run is still open, and its books have followed the %s %s: enter an assay, which sets them right, and take it back after the end", kind, name)
	}
	return fmt.Sprintf("the %s of %s by %s counts no more", kind, all[i].Time().Local().Format(time.DateTime), all[i].Text("by")), nil
}

// beginning is the time of a run's first line.
func beginning(runDir string) (time.Time, error) {
	r, err := runlog.Open(runDir)
	if err != nil {
		return time.Time{}, err
	}
	var first runlog.Record
	err = errors.Join(r.Next(&first), r.Close())
	return first.Time(), err
}

// same returns the late entry that says the same as e, when it is of the same time or neither states one; nil if none does.
func same(w *runlog.LateWriter, e control.Entry) *runlog.Record {
	e.Certain = false
	want := fmt.Sprint(e.Kind, drivers.Plain(e.Text), plain(e.LogFields()))
	for _, r := range runlog.Counting(w.Records) {
		fields := slices.DeleteFunc(slices.Clone(r.Fields), func(f runlog.Field) bool { return f.Key == "kind" || f.Key == "text" || f.Key == "certain" })
		if fmt.Sprint(r.Text("kind"), r.Text("text"), fields) == want {
			return &r
		}
	}
	return nil
}

func plain(fields []runlog.Field) []runlog.Field {
	for i := range fields {
		if s, ok := fields[i].Value.(string); ok {
			fields[i].Value = drivers.Plain(s)
		}
	}
	return fields
}
