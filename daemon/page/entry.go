package page

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/late"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
)

// kindOf finds a kind of entry by name; an unknown one is a remark.
func kindOf(name string) control.EntryKind {
	if k, found := control.KindOfEntry(name); found && offers(k) {
		return k
	}
	return control.EntryKinds()[0]
}

// offers says whether the page has this form for a kind: others have one of their own.
func offers(k control.EntryKind) bool { return !k.Desk && k.Name != control.EntryChecklist }

// atLayout is how browsers write a time of day with its date, in no zone.
const atLayout = "2006-01-02T15:04"

// fieldsOf reads what a form says of a kind.
func fieldsOf(k control.EntryKind, f url.Values) map[string]string {
	values := make(map[string]string)
	for _, field := range k.Fields {
		if given := strings.TrimSpace(f.Get(field.Name)); given != "" {
			values[field.Name] = given
		}
	}
	return values
}

// entryOf reads a filled-in form.
func (p *Page) entryOf(a *asking) (control.Entry, error) {
	k := kindOf(a.subject)
	e, err := control.ParseEntry(k.Name, fieldsOf(k, a.form), strings.TrimSpace(a.form.Get("text")))
	e.Cell, e.By, e.Certain = a.cell.Name, a.who, a.form.Get("certain") != ""
	if at := a.form.Get("at"); at != "" && err == nil {
		if e.At, err = time.ParseInLocation(atLayout, at, p.s.Zone); err != nil {
			err = control.BadRequest("%q is not a time; write it as in 2026-01-10T20:15, by the clock of this page", at)
		}
	}
	return e, err
}

func (p *Page) askEntry(_ context.Context, a *asking, v *askView) error {
	v.Kind = kindOf(a.subject)
	v.Kinds = slices.DeleteFunc(slices.Clone(control.EntryKinds()), func(k control.EntryKind) bool { return !offers(k) })
	a.subject = v.Kind.Name
	if a.subject == runlog.EntrySettle && !v.Looked {
		p.proposeGap(a, v)
	}
	if v.Looked {
		e, err := p.entryOf(a)
		v.Entry = e
		return err
	}
	return nil
}

// watch is who writes the run of an act; nil: nobody does, so that entries go beside its log.
func (p *Page) watch(a *asking) *control.Operator {
	if a.run.live {
		return p.s.Operator
	}
	return nil
}

// hand hands an entry on.
func (p *Page) hand(ctx context.Context, a *asking, e control.Entry) (control.Entered, error) {
	if a.run == (place{}) {
		return control.Entered{}, control.Refuse("%s has no run yet", sentence.Name(a.cell.Name))
	}
	done, _, err := late.Hand(ctx, p.watch(a), a.run.dir, e, p.s.Now())
	return done, err
}

func (p *Page) doEntry(ctx context.Context, a *asking, trial bool) (string, []string, error) {
	e, err := p.entryOf(a)
	if err != nil {
		return "", nil, err
	}
	e.Trial = trial
	done, err := p.hand(ctx, a, e)
	return fmt.Sprintf("Entered into the run of %s.", sentence.Name(a.cell.Name)), done.Notes, err
}

// askRetract says what would count no more.
func (p *Page) askRetract(ctx context.Context, a *asking, v *askView) (err error) {
	_, v.Would, err = p.doRetract(ctx, a, true)
	return err
}

func (p *Page) doRetract(ctx context.Context, a *asking, trial bool) (string, []string, error) {
	done, err := p.hand(ctx, a, control.Entry{
		Cell: a.cell.Name, By: a.who, Trial: trial, Kind: runlog.EntryRetract, Text: strings.TrimSpace(a.form.Get("text")), Words: map[string]string{runlog.RetractedEntry: a.subject},
	})
	return "The entry is retracted.", done.Notes, err
}

// entryLine is an entry in the list of a run.
type entryLine struct{ Name, At, Kind, By, Said, Photo, State string }

// entries lists what persons entered into a run, newest first.
func (p *Page) entries(w http.ResponseWriter, r *http.Request) error {
	c, at, err := p.placeOf(r)
	if err != nil {
		return err
	}
	all, err := runlog.PersonsEntries(at.dir)
	if err != nil {
		p.s.Log.Warn("page: entries", "cell", c.Name, "err", err)
		return refusal(http.StatusInternalServerError, "the entries cannot be read; the log says why")
	}
	slices.SortStableFunc(all, func(a, b runlog.Record) int { return control.EntryOf(&a).At.Compare(control.EntryOf(&b).At) })
	counting := make(map[string]bool)
	for _, e := range runlog.Counting(all) {
		counting[e.Name()] = true
	}
	v := struct {
		frameOf
		Cell, CellTitle, Run, RunText string
		Lines                         []entryLine
	}{p.frameFor(r, "Entries: "+sentence.Name(c.Name), ""), c.Name, sentence.Name(c.Name), at.name, p.runText(at.name), nil}
	for i := range slices.Backward(all) {
		e := control.EntryOf(&all[i])
		l := entryLine{Name: all[i].Name(), At: e.At.In(p.s.Zone).Format("2 Jan 15:04"), Kind: sentence.Name(e.Kind), By: e.By, Said: e.Said()}
		if e.Kind == control.EntryPhoto {
			l.Photo = e.Words["file"]
		}
		switch {
		case e.Kind == runlog.EntryRetract:
			l.State = "retraction"
		case !counting[l.Name]:
			l.State = "retracted"
		}
		v.Lines = append(v.Lines, l)
	}
	p.render(w, http.StatusOK, "entries.html", v)
	return nil
}

// shelfOf reads for how long, and why.
func (a *asking) shelf() (seconds float64, reason string, err error) {
	reason = strings.TrimSpace(a.form.Get("text"))
	seconds, err = quantity.Parse(quantity.Time, a.form.Get("length"))
	switch {
	case err != nil:
		return 0, "", control.BadRequest("%w", err)
	case !(seconds > 0) || seconds > alerts.LongestShelf.Seconds():
		return 0, "", control.BadRequest("the time must be above zero and at most %s", quantity.Duration(alerts.LongestShelf))
	case reason == "":
		return 0, "", control.BadRequest("give the reason, so that the next person knows it")
	}
	return seconds, reason, nil
}

// askAlarm finds the alarm that an act is about.
func (p *Page) askAlarm(_ context.Context, a *asking, v *askView) error {
	standing, aside := p.alarms(a.cell, p.s.Now())
	for _, alarm := range append(standing, aside...) {
		if alarm.Condition == a.subject {
			v.Alarm = &alarm
			return nil
		}
	}
	return control.Unknown("%s has no such alarm now; it may be over", sentence.Name(a.cell.Name))
}

// doneTo says what an act has done to an alarm.
var doneTo = map[control.AlarmAct]string{control.Acknowledge: "is acknowledged", control.Shelve: "is shelved", control.Unshelve: "is back from the shelf", control.Reset: "is reset"}

func (p *Page) doAlarm(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	if _, err := alerts.ParseCondition(a.subject); err != nil {
		return "", nil, control.BadRequest("%v", err)
	}
	o := control.AlarmOrder{Act: control.AlarmAct(a.name), Cell: a.cell.Name, Condition: a.subject, By: a.who}
	if o.Act == control.Shelve {
		var err error
		if o.Seconds, o.Reason, err = a.shelf(); err != nil {
			return "", nil, err
		}
	}
	err := p.s.Operator.ChangeAlarm(ctx, o)
	return fmt.Sprintf("%s of %s %s.", sentence.Name(a.subject), sentence.Name(a.cell.Name), doneTo[o.Act]), nil, err
}

// proposeGap lists the gaps, the newest first, which is proposed. The page knows those of the newest run alone.
func (p *Page) proposeGap(a *asking, v *askView) {
	newest, err := p.place(a.cell, "")
	gaps := p.s.History.Happened(a.cell.Name).Gaps
	if err == nil && newest.name != a.run.name || len(gaps) == 0 {
		return
	}
	for _, g := range slices.Backward(gaps) {
		v.Gaps = append(v.Gaps, fmt.Sprintf("Gap %d, from %s to %s. %s", g.Index, p.clock(g.From, p.s.Now()), p.clock(g.To, p.s.Now()), gapText(g)))
	}
	v.Given["gap"] = cmp.Or(v.Given["gap"], fmt.Sprint(gaps[len(gaps)-1].Index))
}
