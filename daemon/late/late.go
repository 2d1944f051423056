// Package late takes what a person enters into a run that no watch writes any more, or none does for the moment: the
// deposit weighed the morning after, what was discarded, what it cost. The entry is judged by the account as it
// stood at its time, and stands beside the sealed log (runlog.LateEntries).
package late

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// Enter writes an entry beside the log of a run. What contradicts the account by more than its doubt is
// refused with an error of control.Contradiction, unless the entry says that it is certain. now is the time of the machine.
func Enter(runDir string, e control.Entry, now time.Time) (done control.Entered, err error) {
	w, err := runlog.OpenLate(runDir)
	if err != nil {
		return done, err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	if last := time.Unix(0, w.Tail.LastNanos); now.Before(last) {
		now = last // a clock that went back, or a run on a fast one
	}
	switch {
	case w.Tail.Cell != e.Cell:
		return done, control.BadRequest("%s is a run of cell %s, not of %s", runDir, w.Tail.Cell, e.Cell)
	case w.Tail.Coulometer == nil:
		return done, control.Refuse("the log of %s does not show how the run started; nightcell verify shows what is wrong", runDir)
	case e.Words[control.GapOff] != "":
		return done, control.BadRequest("settle a gap of a run that is not monitored by low, best and high; nightcell verify shows its present range")
	}
	err = e.Check()
	began, _ := runlog.Began(runDir) // a folder that was renamed does not tell
	if err == nil {
		err = e.Plausible(now, began, w.Tail.Coulometer.Settings().OffsetAmperes)
	}
	var taken string
	if err == nil && e.Kind == runlog.EntryRetract {
		taken, err = retracted(runDir, w, e)
	}
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
	contradiction := strings.Join(against, "; ")
	if contradiction != "" && !e.Certain {
		if said != "" {
			contradiction += ". With it, " + said
		}
		return done, control.Contradiction("the %s is not entered: %s", e.Kind, contradiction)
	}
	if !e.Trial {
		r, err := w.Append(now, e.Kind, e.Text, e.LogFields()...)
		if err != nil {
			return done, err
		}
		done.Name = r.Name()
	}
	open := ""
	if !w.Tail.Ended {
		open = "The run is still open: nightcell applies this within a minute, or when it resumes the run."
	}
	done.Notes = slices.DeleteFunc([]string{contradiction, said, taken, a.unknown, open}, func(note string) bool { return note == "" })
	return done, nil
}

// Hand gives an entry to the watch that writes its run, or, with a nil watch or none that listens, writes it beside the log of
// runDir; runDir may be empty where the watch alone knows the run. A photo is copied in first, and what is taken back is so
// beside the log. beside tells where it went.
func Hand(ctx context.Context, watch *control.Operator, runDir string, e control.Entry, now time.Time) (done control.Entered, beside bool, err error) {
	if e.Kind == control.EntryPhoto && !e.Trial {
		if e, err = Photo(runDir, e); err != nil {
			return done, false, err
		}
	}
	if watch != nil && e.Kind != runlog.EntryRetract {
		done, err = watch.Enter(ctx, e)
		if runDir == "" || !errors.Is(err, control.ErrNobody) {
			return done, false, err
		}
	}
	done, err = Enter(runDir, e, now)
	return done, true, err
}

// retracted says what a retraction takes back. The error says why it cannot.
func retracted(runDir string, w *runlog.LateWriter, e control.Entry) (string, error) {
	all, err := runlog.PersonsEntries(runDir)
	if err != nil {
		return "", err
	}
	name := e.Words[runlog.RetractedEntry]
	named := func(r runlog.Record) bool { return r.Name() == name }
	i := slices.IndexFunc(all, named)
	if i < 0 {
		return "", control.Unknown("the run %s has no entry %q; nightcell enter %s list shows them", filepath.Base(runDir), name, e.Cell)
	}
	was, followed := control.EntryOf(&all[i]), all[i].Nanos <= w.Tail.LastNanos // by a watch, which wrote on
	switch {
	case was.Kind != runlog.EntryRetract && !slices.ContainsFunc(runlog.Counting(all), named):
		return "", control.Refuse("the %s %s was already retracted", was.Kind, name)
	case followed && (was.Kind == runlog.EntryZero || was.Kind == runlog.EntryCheck || was.Kind == runlog.EntrySettle):
		return "", control.Refuse("the %s %s in the log already applies to the charge and cannot be retracted: enter the right value", was.Kind, name)
	case followed && !w.Tail.Ended && (was.Booking().Moves() || was.Kind == bath.EntryElectrode):
		return "", control.Refuse("the run is still open and its mass balance includes the %s %s: enter an assay to correct it, and retract after the end", was.Kind, name)
	}
	return fmt.Sprintf("the %s of %s by %s is retracted", was.Kind, was.At.Local().Format(time.DateTime), was.By), nil
}

// same says which late entry says the same as e at the same time, if e states one; none: empty.
func same(w *runlog.LateWriter, e control.Entry) string {
	for _, r := range runlog.Counting(w.Records) {
		o := control.EntryOf(&r)
		if o.Kind == e.Kind && o.By == e.By && o.Text == e.Text && maps.Equal(o.Numbers, e.Numbers) && maps.Equal(o.Words, e.Words) && (e.At.IsZero() || e.At.Equal(o.At)) {
			return fmt.Sprintf("the same entry exists as %s, written %s", r.Name(), r.Time().Local().Format(time.DateTime))
		}
	}
	return ""
}
