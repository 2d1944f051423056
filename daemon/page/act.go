package page

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/finish"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

// mostActing is how long an act may take: switching off is tried more than once and read back.
const mostActing = time.Minute

// act is one thing that a signed-in person can do to a cell.
type act struct {
	title string
	about string // what names its subject in a query; empty: it has none
	// ask fills in the confirm step. do does it, and says what was done and what there is to know of it; on trial it changes nothing.
	ask  func(p *Page, ctx context.Context, a *asking, v *askView) error
	do   func(p *Page, ctx context.Context, a *asking, trial bool) (done string, notes []string, err error)
	look bool   // a trial comes first; else the confirm step says what the act does
	back string // the page to go on with, below the cell's; empty: that of the cell
	lent bool   // what was written is kept over a sign-in
}

// acts are all that can be done, by their names in the address.
var acts map[string]act

func init() { // not a value: they lead back to the table by the sign-in
	acts = map[string]act{
		"acknowledge": {title: "Acknowledge", about: "condition", ask: (*Page).askAlarm, do: (*Page).doAlarm},
		"shelve":      {title: "Shelve", about: "condition", ask: (*Page).askAlarm, do: (*Page).doAlarm, lent: true},
		"unshelve":    {title: "Return from the shelf", about: "condition", ask: (*Page).askAlarm, do: (*Page).doAlarm},
		"reset":       {title: "Reset", about: "condition", ask: (*Page).askAlarm, do: (*Page).doAlarm},
		"enter":       {title: "Enter", about: "kind", ask: (*Page).askEntry, do: (*Page).doEntry, look: true, lent: true},
		"retract":     {title: "Retract an entry", about: "entry", ask: (*Page).askRetract, do: (*Page).doRetract, back: "entries", lent: true},
		"photo":       {title: "Add a photo", do: (*Page).doPhoto, back: "entries", lent: true},
		"finish":      {title: "Finish", about: "item", ask: (*Page).askItem, do: (*Page).doItem, look: true, back: "finish", lent: true},
		"begin":       {title: "Pre-flight", ask: (*Page).askBegin, do: (*Page).doBegin},
		"drill":       {title: "Test the routes", do: (*Page).doDrill},
		"hold":        {title: "Lower the current", do: (*Page).doHold},
		"off":         {title: "Switch off", do: (*Page).doOff},
	}
}

// asking is one act on its way: what it is about, and what was written.
type asking struct {
	name    string
	cell    *snapshot.Cell
	who     string
	subject string // alarm, kind or name of an entry, or item of the checklist
	run     place
	form    url.Values
	photo   *multipart.FileHeader
}

// askView is a confirm step; it names the cell.
type askView struct {
	frameOf
	Act, Cell, CellTitle string
	Run, RunText         string // of an entry
	Subject              string
	AtRest               string // what the deposit does without current; empty: no metal is stated
	Lift                 bool   // the cathode comes out before the output goes off, as is right too while no metal is stated
	Alarm                *alarmView
	Kinds                []control.EntryKind
	Kind                 control.EntryKind
	Entry                control.Entry
	Gaps                 []string // that may be settled
	Checks               []control.Check
	Items                []finish.Item
	Item                 *finish.Item
	Complete             bool
	FormToLeave          string // an item out
	MayHold, MayOff      bool
	Given                map[string]string
	Looked               bool     // Would is shown, and Given is hidden
	Would                []string // what it would do
	Problem              string
	Doubtful             bool // the problem is that the entry contradicts the books
	Form                 string
}

// Button is what the button of the confirm step says; the cell's name follows.
func (v askView) Button() string { return acts[v.Act].title }

// Confirmable are the things that only a person at the cell can see.
func (v askView) Confirmable() []string { return control.ToConfirm() }

// Asks are the fields of the item that is unfolded.
func (v askView) Asks() []string {
	if v.Item.Choices != nil {
		return []string{"volume", "to"}
	}
	return v.Item.Ask
}

// place is a run of a cell.
type place struct {
	dir, name string
	live      bool // a watch writes it
}

var errNoRun = refusal(http.StatusNotFound, "there is no such run")

// place finds a run of a cell by its name; none: the one that is watched, else the newest.
func (p *Page) place(c *snapshot.Cell, run string) (place, error) {
	names, err := p.s.History.Runs(c.Name)
	if err != nil {
		return place{}, err
	}
	newest, live := "", !c.Waiting && !c.Ended
	if len(names) > 0 {
		newest = names[len(names)-1]
	}
	open := newest
	if live && c.Run != "" {
		open = filepath.Base(c.Run)
	}
	switch run = cmp.Or(run, open); {
	case run == "" && live:
		return place{live: true}, nil // its folder has yet to come
	case !slices.Contains(names, run):
		return place{}, errNoRun
	}
	return place{filepath.Join(runlog.CellDir(p.s.Data, c.Name), run), run, live && run == open}, nil
}

// placeOf finds the run of a cell that a request for its history names.
func (p *Page) placeOf(r *http.Request) (*snapshot.Cell, place, error) {
	c := p.snapshotOf(r.PathValue("cell"))
	if c == nil {
		return nil, place{}, refusal(http.StatusNotFound, "there is no cell of that name")
	}
	at, err := p.place(c, r.URL.Query().Get("run"))
	switch {
	case err != nil || at.dir == "":
		return nil, place{}, errNoRun
	case !p.reads.Allow():
		return nil, place{}, refusal(http.StatusTooManyRequests, "too much at once; wait a moment")
	}
	return c, at, nil
}

// actor returns what is asked for, if it is so by a signed-in operator; without one it offers the sign-in, and returns nothing.
func (p *Page) actor(w http.ResponseWriter, r *http.Request) (*asking, *session, error) {
	c, name := p.snapshotOf(r.PathValue("cell")), r.PathValue("act")
	if _, known := acts[name]; c == nil || !known {
		return nil, nil, refusal(http.StatusNotFound, "there is no such page")
	}
	s := p.sessions.of(r)
	switch {
	case s == nil && r.Method == http.MethodGet:
		http.Redirect(w, r, "/login?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return nil, nil, nil
	case s == nil:
		return nil, nil, p.offerLogin(w, r, name)
	}
	return &asking{name: name, cell: c, who: s.who}, s, nil
}

// about fills in subject, run and form. The error says that there is no such run.
func (p *Page) about(a *asking, subject, run string, form url.Values) (err error) {
	a.subject, a.form = subject, form
	if a.run, err = p.place(a.cell, run); run == "" && errors.Is(err, errNoRun) {
		return nil // whoever needs one says so
	}
	return err
}

// askAct shows the confirm step.
func (p *Page) askAct(w http.ResponseWriter, r *http.Request) error {
	a, s, err := p.actor(w, r)
	if a == nil {
		return err
	}
	q := r.URL.Query()
	if err := p.about(a, q.Get(acts[a.name].about), q.Get("run"), s.takeKept(r.URL.RequestURI())); err != nil {
		return refusal(http.StatusNotFound, "%w", err)
	}
	return p.showAsk(w, r, http.StatusOK, a, s, nil, nil)
}

// offerLogin answers an act whose sign-in is over, as after a restart: nothing is done, and
// what was written comes back in the confirm step after signing in.
func (p *Page) offerLogin(w http.ResponseWriter, r *http.Request, name string) error {
	if err := r.ParseForm(); err != nil {
		return refusal(http.StatusBadRequest, "the form cannot be read")
	}
	next, query, kept := url.URL{Path: r.URL.Path}, url.Values{}, url.Values{}
	if about := acts[name].about; about != "" {
		query.Set(about, r.PostForm.Get("subject"))
	}
	if run := r.Form.Get("run"); run != "" {
		query.Set("run", run)
	}
	for field, v := range r.PostForm {
		if acts[name].lent && !slices.Contains([]string{"form", "subject", "run", "confirm", "certain"}, field) {
			kept[field] = v
		}
	}
	next.RawQuery = query.Encode()
	p.showLogin(w, r, http.StatusForbidden, localNext(next.String()), kept.Encode(),
		"Nothing was done: you are signed out. A restart of nightcell ends every session. Sign in, then confirm again.")
	return nil
}

// showAsk shows the confirm step, with what the act would do where that was found out.
func (p *Page) showAsk(w http.ResponseWriter, r *http.Request, status int, a *asking, s *session, would []string, problem error) error {
	title := sentence.Name(a.cell.Name)
	v := askView{
		frameOf: p.frameFor(r, acts[a.name].title+": "+title, a.cell.Name), Act: a.name, Cell: a.cell.Name, CellTitle: title, AtRest: a.cell.AtRest, Lift: a.cell.Lift || a.cell.AtRest == "",
		Run: a.run.name, RunText: p.runText(a.run.name), Given: make(map[string]string), Would: would, Looked: would != nil,
	}
	for k := range a.form {
		if v.Given[k] = a.form.Get(k); v.Looked && slices.Contains([]string{"form", "subject", "run", "confirm"}, k) {
			delete(v.Given, k)
		}
	}
	if problem != nil {
		v.Problem, v.Doubtful = problem.Error(), control.IsContradiction(problem)
	}
	if ask := acts[a.name].ask; ask != nil {
		if err := ask(p, r.Context(), a, &v); err != nil {
			return err
		}
	}
	v.Subject = a.subject
	v.Form = s.issue(a.name, a.cell.Name, a.subject, a.run.name)
	if v.Item != nil {
		v.FormToLeave = s.issue(a.name, a.cell.Name, a.subject, a.run.name)
	}
	template := "ask.html"
	if a.name == "finish" && !v.Looked {
		template = "finish.html"
	}
	p.render(w, status, template, v)
	return nil
}

// doAct carries an act out, once, for a signed-in operator who confirmed it on this site's own form.
func (p *Page) doAct(w http.ResponseWriter, r *http.Request) error {
	a, s, err := p.actor(w, r)
	if a == nil {
		return err
	}
	if !s.acts.Allow() {
		w.Header().Set("Retry-After", "2")
		return refusal(http.StatusTooManyRequests, "too many requests; wait a moment")
	}
	if r.ParseForm() != nil {
		return refusal(http.StatusBadRequest, "the form cannot be read")
	}
	if a.name == "photo" {
		if err := p.readPhoto(w, r, a); err != nil {
			return err
		}
	}
	f := r.PostForm
	err = p.about(a, f.Get("subject"), f.Get("run"), f)
	if !s.redeem(f.Get("form"), a.name, a.cell.Name, a.subject, a.run.name) || err != nil {
		return refusal(http.StatusForbidden, "this form has already been used or has expired. Nothing was done; go back to the cell and try again")
	}
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(mostActing + 10*time.Second)); err != nil {
		p.s.Log.Debug("page: deadline", "err", err)
	}
	ctx, cancel := context.WithTimeout(r.Context(), mostActing)
	defer cancel()
	name, spec := a.cell.Name, acts[a.name]
	switch confirmed := f.Get("confirm") == name; {
	case f.Get("change") != "":
		return p.showAsk(w, r, http.StatusOK, a, s, nil, nil)
	case !confirmed && !spec.look:
		return p.showAsk(w, r, http.StatusBadRequest, a, s, nil, errors.New("Tick the box to confirm cell "+name+"."))
	case !confirmed:
		_, would, err := spec.do(p, ctx, a, true)
		if err != nil {
			return p.failed(w, r, a, s, err)
		}
		return p.showAsk(w, r, http.StatusOK, a, s, append([]string{}, would...), nil)
	}
	defer p.forget()
	done, notes, err := spec.do(p, ctx, a, false)
	if err != nil {
		return p.failed(w, r, a, s, err)
	}
	p.s.Log.Info("page: act", "act", a.name, "cell", name, "who", s.who)
	s.flash.Store(strings.Join(append([]string{done}, notes...), " "))
	next := url.URL{Path: "/cell/" + name}
	if spec.back != "" {
		next.Path += "/" + spec.back
		next.RawQuery = url.Values{"run": {a.run.name}}.Encode()
	}
	http.Redirect(w, r, next.String(), http.StatusSeeOther)
	return nil
}

// failed shows the form again for what can be mended in it, and else the error.
func (p *Page) failed(w http.ResponseWriter, r *http.Request, a *asking, s *session, err error) error {
	p.s.Log.Warn("page: act refused", "act", a.name, "cell", a.cell.Name, "who", s.who, "err", err)
	if spec := acts[a.name]; (spec.look || spec.lent || a.name == "begin") && (control.IsMistake(err) || control.IsContradiction(err) || a.name == "begin") {
		return p.showAsk(w, r, control.StatusOf(err), a, s, nil, err)
	}
	return err
}

func (p *Page) doHold(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	o, err := p.s.Operator.Hold(ctx, control.CellOrder{Cell: a.cell.Name, By: a.who})
	return fmt.Sprintf("%s is held: %s.", sentence.Name(a.cell.Name), o.Text), nil, err
}

func (p *Page) doOff(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	o, err := p.s.Operator.Off(ctx, control.CellOrder{Cell: a.cell.Name, By: a.who})
	return fmt.Sprintf("%s is off: %s.", sentence.Name(a.cell.Name), o.Text), nil, err
}

func (p *Page) doDrill(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	receipts, err := p.s.Operator.Drill(ctx, control.CellOrder{Cell: a.cell.Name, By: a.who})
	var said []string
	for _, r := range receipts {
		if r.Delivered {
			said = append(said, fmt.Sprintf("%s delivered in %.1f s: %s.", r.Route, r.TookSeconds, r.Proof))
		} else {
			said = append(said, fmt.Sprintf("%s FAILED: %s.", r.Route, r.Problem))
		}
	}
	return "Tested the routes.", said, err
}

// askBegin finds out how the pre-flight stands before anything is confirmed: without that nothing can be cleared.
func (p *Page) askBegin(ctx context.Context, a *asking, v *askView) error {
	checks, err := p.s.Operator.Begin(ctx, control.BeginOrder{Cell: a.cell.Name, By: a.who})
	v.Checks = slices.DeleteFunc(checks, func(k control.Check) bool { return slices.Contains(control.ToConfirm(), k.Name) })
	if len(checks) == 0 {
		return err
	}
	return nil
}

func (p *Page) doBegin(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	_, err := p.s.Operator.Begin(ctx, control.BeginOrder{Cell: a.cell.Name, By: a.who, Confirmed: a.form["confirmed"]})
	return sentence.Name(a.cell.Name) + " is cleared for an unattended run. nightcell remains a monitor, not a safety device.", nil, err
}
