package ledger

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// kinds are the entries that a ledger takes.
var kinds = map[Kind][]string{
	OfBath: {bath.EntryAddition, bath.EntryDose, bath.EntryWater, bath.EntrySample, bath.EntryAssay, bath.EntryMeasurement, "level", "discarded",
		control.EntryCost, "remark", runlog.EntryRetract},
	OfElectrode: {bath.EntryWeighing, bath.EntryElectrode, control.EntryStripped, control.EntryCost, "remark", runlog.EntryRetract},
}

// Open opens a ledger with what there is, in the fields of an entry: StatedFields of a bath, those of control's electrode and weighing of
// an electrode. A bath or an electrode that is in use is refused.
func Open(data string, k Kind, name, by, text string, now time.Time, fields ...runlog.Field) error {
	return act(data, k, name, true, now, func(w *runlog.LateWriter, lines []runlog.Record) error {
		if isOpen(lines) {
			return control.Refuse("%s %s is open already; nightcell %s close %s ends it", k, name, k, name)
		}
		_, err := w.Append(now, lineOpen, text, append([]runlog.Field{runlog.Text("by", by)}, fields...)...)
		return err
	})
}

// Close says that a bath was discarded, or that an electrode is spent.
func Close(data string, k Kind, name, by, text string, now time.Time) error {
	return act(data, k, name, false, now, func(w *runlog.LateWriter, lines []runlog.Record) error {
		if !isOpen(lines) {
			return control.Refuse("%s %s is closed already", k, name)
		}
		_, err := w.Append(now, lineClose, text, runlog.Text("by", by))
		return err
	})
}

// act settles what is due, sees that no run stands there, and does something under the lock of a ledger; makes says that it may be a new one.
func act(data string, k Kind, name string, makes bool, now time.Time, do func(*runlog.LateWriter, []runlog.Record) error) error {
	if err := Settle(data, now, runlog.Patience); err != nil {
		return err
	}
	cell, run, err := InUse(data, k, name)
	if err != nil {
		return err
	}
	if run != "" {
		return control.Refuse("run %s of cell %s uses %s %s and has not ended. Enter it into the run, nightcell enter %s, or wait for its end", run, cell, k, name, cell)
	}
	switch _, all, err := read(data, k, name); {
	case control.IsMistake(err) && !makes:
		return err
	case err != nil && !control.IsMistake(err) || err == nil && !all.Sound():
		return errors.Join(err, control.Refuse("the ledger of %s %s is damaged, and nothing was entered. nightcell verify %s says where; move it aside, or give the %s another name", k, name, Dir(data, k, name), k))
	}
	return write(data, k, name, runlog.Patience, func(w *runlog.LateWriter) error { return do(w, runlog.Counting(w.Records)) })
}

// Enter writes an entry of a person into a ledger. What contradicts it by more than its doubt is refused with an error of
// control.Contradiction, unless the entry says that it is certain.
func Enter(data string, k Kind, name string, e control.Entry, now time.Time) (done control.Entered, err error) {
	if !slices.Contains(kinds[k], e.Kind) {
		return done, control.BadRequest("the ledger of %s %s takes no %s; it takes %s", k, name, e.Kind, strings.Join(kinds[k], ", "))
	}
	checked := e
	checked.Words = maps.Clone(e.Words)
	delete(checked.Words, Side) // of any liquid
	if err := checked.Check(); err != nil {
		return done, err
	}
	err = act(data, k, name, false, now, func(w *runlog.LateWriter, lines []runlog.Record) error {
		if !isOpen(lines) {
			return control.Refuse("%s %s is closed; start again with nightcell %s open %s", k, name, k, name)
		}
		for i := range lines { // a clock that went back, or runs on a fast one
			if last := counts(&lines[i]); now.Before(last) {
				now = last
			}
		}
		same := twin(lines, e)
		if e.At.IsZero() {
			e.At = now
		}
		var against []string
		if e.Kind == runlog.EntryRetract {
			err = retractable(w, lines, k, name, e.Words[runlog.RetractedEntry])
		} else if against, done.Notes, err = judge(data, k, name, lines, e, now); err == nil {
			against = append(same, against...)
		}
		if err != nil {
			return err
		}
		if len(against) > 0 && !e.Certain {
			return control.Contradiction("the %s is not entered into the ledger of %s %s: %s", e.Kind, k, name, strings.Join(against, "; "))
		}
		r, err := w.Append(now, e.Kind, e.Text, e.LogFields()...)
		if err == nil {
			done.Name, done.Notes = r.Name(), append(against, done.Notes...)
		}
		return err
	})
	return done, err
}

// retractable says why a line cannot be taken back.
func retractable(w *runlog.LateWriter, lines []runlog.Record, k Kind, name, line string) error {
	i := slices.IndexFunc(w.Records, func(r runlog.Record) bool { return r.Name() == line })
	switch {
	case i < 0:
		return control.Unknown("the ledger of %s %s has no entry %q; nightcell %s show %s lists them", k, name, line, k, name)
	case w.Records[i].Text("kind") == lineRun:
		return control.Refuse("%s is the line of a run: what it took changes with what is entered into it, nightcell enter %s --run %s", line, w.Records[i].Text(ofCell), w.Records[i].Text(runName))
	case w.Records[i].Text("kind") == lineOpen || w.Records[i].Text("kind") == lineClose:
		return control.Refuse("%s opens or closes the %s, which stays as it was: open another, or enter an assay and a volume", line, k)
	case w.Records[i].Text("kind") != runlog.EntryRetract && !slices.ContainsFunc(lines, func(r runlog.Record) bool { return r.Name() == line }):
		return control.Refuse("%s was taken back before", line)
	}
	return nil
}

// twin says which line says the same as e at the same time; where e states none, since the last run.
func twin(lines []runlog.Record, e control.Entry) []string {
	for i := range slices.Backward(lines) {
		o := control.EntryOf(&lines[i])
		if e.At.IsZero() && (o.Kind == lineRun || o.Kind == lineOpen) {
			return nil
		} else if o.Kind == e.Kind && o.By == e.By && o.Text == e.Text && maps.Equal(o.Numbers, e.Numbers) && maps.Equal(o.Words, e.Words) && (e.At.IsZero() || o.At.Equal(e.At)) {
			return []string{fmt.Sprintf("the same entry exists as %s", lines[i].Name())}
		}
	}
	return nil
}

// judge holds an entry against the ledger as it stands. The error says what cannot be, however certain somebody is.
func judge(data string, k Kind, name string, lines []runlog.Record, e control.Entry, now time.Time) (against, notes []string, err error) {
	b, el := new(Bath), new(Electrode)
	stands := &b.Standing
	if k == OfBath {
		*b = *standing(data, name, lines)
	} else {
		*el = *electrode(data, name, lines)
		stands = &el.Standing
	}
	for _, r := range b.Runs {
		if e.At.After(r.Began) && e.At.Before(r.Ended) {
			return nil, nil, control.Refuse("at %s run %s of cell %s used bath %s: enter it there, nightcell enter %s --run %s --at TIME", e.At.Local().Format(time.DateTime), r.Run, r.Cell, name, r.Cell, r.Run)
		}
	}
	if e.At.Before(stands.Since) {
		return nil, nil, control.BadRequest("%s is before %s %s was opened, %s; an entry cannot come before what it is about", e.At.Local().Format(time.DateTime), k, name, stands.Since.Local().Format(time.DateTime))
	}
	if err := e.Plausible(now, stands.Since, 0); err != nil {
		return nil, nil, err
	}
	if k == OfElectrode {
		return nil, nil, el.judge(e)
	}
	// As it stood at the time of the entry.
	then := standing(data, name, slices.DeleteFunc(slices.Clone(lines), func(r runlog.Record) bool { return r.Text("kind") != lineOpen && happened(&r).After(e.At) }))
	if then.Side == nil {
		then = b
	}
	left := then.Side.Metal()
	if !OnAnolyte(e) {
		if p := then.planOf(math.Max(left.Value, 1e-9), left.StandardUncertainty, then.Side.Volume().Value, then.Side.Volume().StandardUncertainty); p != nil {
			v, err := p.Judge(e.Booking(), bath.Moment{})
			if err != nil {
				return nil, nil, control.BadRequest("%v", err)
			}
			if against = v.Against; v.Dose != "" {
				notes = append(notes, v.Dose+"; not followed from run to run: "+NotFollowed)
			}
		}
		if found := then.found(e); e.Kind == bath.EntryAssay && found.Value*then.Side.Volume().Value > then.Side.Most()+3*left.StandardUncertainty {
			against = append(against, fmt.Sprintf("that would be %.3g g of %s, and the bath never held more than %.3g g", found.Value*then.Side.Volume().Value*1e3, then.metal().Element.Name, then.Side.Most()*1e3))
		}
	}
	before := b.Words()
	if err := b.try(e, nil); err != nil {
		return nil, nil, control.BadRequest("%v", err)
	}
	if after := b.Words(); after != before {
		notes = append(notes, fmt.Sprintf("%s → %s", before, after))
	}
	return against, notes, nil
}

// happened is when a line was so.
func happened(r *runlog.Record) time.Time {
	if began, ok := r.Integer("began"); ok {
		return time.Unix(0, began)
	}
	return control.EntryOf(r).At
}

// Words says what is left in a bath.
func (b *Bath) Words() string {
	return fmt.Sprintf("%s of %s in %s", report.Show(b.Side.Metal(), report.Grams), b.metal().Element.Name, report.Show(b.Side.Volume(), report.Litres))
}

// StatedFields are what a bath is opened with, as fields of its line.
func StatedFields(s books.Stated) []runlog.Field {
	return []runlog.Field{
		runlog.Text("metal", s.Metal), runlog.Text("medium", s.Medium), runlog.Integer("valence", int64(s.Valence)),
		runlog.Number(bath.Mass, s.Mass), runlog.Number("mass_standard_uncertainty_kilograms", s.MassDoubt),
		runlog.Number(bath.LiquidVolume, s.Volume), runlog.Number("volume_standard_uncertainty_cubic_metres", s.VolumeDoubt),
		runlog.Number("anolyte_cubic_metres", s.Anolyte), runlog.Number("anolyte_standard_uncertainty_cubic_metres", s.AnolyteMore), runlog.Flag("by_volume", s.ByVolume),
	}
}

// statedOf reads StatedFields back.
func statedOf(r *runlog.Record) books.Stated {
	valence, _ := r.Integer("valence")
	return books.Stated{
		Metal: r.Text("metal"), Medium: r.Text("medium"), Valence: int(valence), Mass: r.Value(bath.Mass), MassDoubt: r.Value("mass_standard_uncertainty_kilograms"),
		Volume: r.Value(bath.LiquidVolume), VolumeDoubt: r.Value("volume_standard_uncertainty_cubic_metres"),
		Anolyte: r.Value("anolyte_cubic_metres"), AnolyteMore: r.Value("anolyte_standard_uncertainty_cubic_metres"), ByVolume: r.Flag("by_volume"),
	}
}
