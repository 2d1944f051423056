package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// mostActing is how long an act may take: switching off is tried more than once and read back.
const mostActing = time.Minute

var acts = []string{"acknowledge", "enter", "hold", "off"}

// askView is a confirm step; it names the cell.
type askView struct {
	frameOf
	Act, Cell, CellTitle string
	AtRest               string // what the deposit does without current; empty: no metal is stated
	Lift                 bool   // the cathode comes out before the output goes off, as is right too while no metal is stated
	Alarm                *alarmView
	Kinds                []control.EntryKind
	Kind                 control.EntryKind
	Given                map[string]string
	Problem              string
	Doubtful             bool // the problem is that the entry contradicts the books
	Form                 string
}

// actor returns the cell and the signed-in operator of a request, or answers it.
func (p *Page) actor(w http.ResponseWriter, r *http.Request) (*snapshot.Cell, *session) {
	c, act := p.snapshotOf(r.PathValue("cell")), r.PathValue("act")
	if c == nil || !slices.Contains(acts, act) {
		p.refuse(w, r, http.StatusNotFound, errors.New("there is no such page"))
		return nil, nil
	}
	s := p.sessions.of(r)
	if s == nil && r.Method == http.MethodGet {
		http.Redirect(w, r, "/login?next="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return nil, nil
	}
	if s == nil {
		p.offerLogin(w, r, act)
		return nil, nil
	}
	return c, s
}

// askAct shows the confirm step.
func (p *Page) askAct(w http.ResponseWriter, r *http.Request) {
	c, s := p.actor(w, r)
	if c == nil {
		return
	}
	q := r.URL.Query()
	p.showAsk(w, r, http.StatusOK, c, s, q.Get("condition"), q.Get("kind"), s.takeKept(r.URL.RequestURI()), nil)
}

// offerLogin answers an act whose sign-in is over, as after a restart: nothing is done, and
// what was written comes back in the confirm step after signing in.
func (p *Page) offerLogin(w http.ResponseWriter, r *http.Request, act string) {
	if err := r.ParseForm(); err != nil {
		p.refuse(w, r, http.StatusBadRequest, errors.New("the form cannot be read"))
		return
	}
	next, kept := url.URL{Path: r.URL.Path}, url.Values{}
	switch subject := r.PostForm.Get("subject"); act {
	case "acknowledge":
		next.RawQuery = url.Values{"condition": {subject}}.Encode()
	case "enter":
		next.RawQuery = url.Values{"kind": {subject}}.Encode()
		for name, v := range r.PostForm {
			if !slices.Contains([]string{"form", "subject", "confirm", "certain"}, name) {
				kept[name] = v
			}
		}
	}
	p.showLogin(w, r, http.StatusForbidden, localNext(next.String()), kept,
		"Nothing was done: you are signed out. A restart of nightcell ends every session. Sign in, then confirm again.")
}

func (p *Page) showAsk(w http.ResponseWriter, r *http.Request, status int, c *snapshot.Cell, s *session, condition, kind string, given url.Values, problem error) {
	act := r.PathValue("act")
	v := askView{frameOf: p.frameFor(w, r, actTitles[act]+": "+sentence.Name(c.Name), c.Name), Act: act, Cell: c.Name, CellTitle: sentence.Name(c.Name), AtRest: c.AtRest, Lift: c.Lift || c.AtRest == ""}
	if problem != nil {
		v.Problem, v.Doubtful = problem.Error(), control.IsContradiction(problem)
	}
	subject := ""
	switch act {
	case "acknowledge":
		standing, _ := p.alarms(c, p.s.Now())
		for _, a := range standing {
			if a.Condition == condition {
				v.Alarm, subject = &a, condition
			}
		}
		if v.Alarm == nil {
			p.refuse(w, r, http.StatusNotFound, fmt.Errorf("%s has no such alarm now; it may have cleared", v.CellTitle))
			return
		}
	case "enter":
		v.Kinds, v.Kind = offered(), kindOf(kind)
		v.Given = make(map[string]string)
		for k := range given {
			v.Given[k] = given.Get(k)
		}
		subject = v.Kind.Name
	}
	v.Form = s.issue(act, c.Name, subject)
	p.render(w, status, "ask.html", v)
}

var actTitles = map[string]string{"acknowledge": "Acknowledge", "enter": "Enter", "hold": "Lower the current", "off": "Switch off"}

// doAct carries an act out, once, for a signed-in operator who confirmed it on this site's own form.
func (p *Page) doAct(w http.ResponseWriter, r *http.Request) {
	if !sameOrigin(r) {
		p.refuse(w, r, http.StatusForbidden, errors.New("this request does not come from this page"))
		return
	}
	c, s := p.actor(w, r)
	if c == nil {
		return
	}
	if !s.acts.Allow() {
		w.Header().Set("Retry-After", "2")
		p.refuse(w, r, http.StatusTooManyRequests, errors.New("too many requests; wait a moment"))
		return
	}
	if err := r.ParseForm(); err != nil {
		p.refuse(w, r, http.StatusBadRequest, errors.New("the form cannot be read"))
		return
	}
	act, f := r.PathValue("act"), r.PostForm
	subject := f.Get("subject")
	if !s.redeem(f.Get("form"), act, c.Name, subject) {
		p.refuse(w, r, http.StatusForbidden, errors.New("this form has already been used or has expired. Nothing was done; go back to the cell and try again"))
		return
	}
	if f.Get("confirm") != c.Name {
		p.showAsk(w, r, http.StatusBadRequest, c, s, subject, subject, f, errors.New("Tick the box to confirm cell "+c.Name+"."))
		return
	}
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(mostActing + 10*time.Second)); err != nil {
		p.s.Log.Debug("page: deadline", "err", err)
	}
	ctx, cancel := context.WithTimeout(r.Context(), mostActing)
	defer cancel()
	defer p.forget()
	done, err := p.carryOut(ctx, act, c.Name, s.who, subject, f)
	if err != nil {
		p.s.Log.Warn("page: act refused", "act", act, "cell", c.Name, "who", s.who, "err", err)
		if act == "enter" && (control.IsMistake(err) || control.IsContradiction(err)) {
			p.showAsk(w, r, statusOf(err), c, s, subject, subject, f, err)
			return
		}
		p.refuse(w, r, statusOf(err), err)
		return
	}
	p.s.Log.Info("page: act", "act", act, "cell", c.Name, "who", s.who)
	s.setFlash(done)
	http.Redirect(w, r, "/cell/"+url.PathEscape(c.Name), http.StatusSeeOther)
}

func statusOf(err error) int {
	var p *control.Problem
	if errors.As(err, &p) {
		return p.Status
	}
	return http.StatusInternalServerError
}

// carryOut asks the daemon. The text says what came of it.
func (p *Page) carryOut(ctx context.Context, act, cell, who, subject string, f url.Values) (string, error) {
	name := sentence.Name(cell)
	switch act {
	case "acknowledge":
		if _, err := alerts.ParseCondition(subject); err != nil {
			return "", control.BadRequest("%v", err)
		}
		err := p.s.Operator.ChangeAlarm(ctx, control.AlarmOrder{Act: control.Acknowledge, Cell: cell, Condition: subject, By: who})
		return fmt.Sprintf("%s of %s is acknowledged.", sentence.Name(subject), name), err
	case "enter":
		e, err := entryOf(kindOf(subject), f)
		if err != nil {
			return "", err
		}
		e.Cell, e.By = cell, who
		entered, err := p.s.Operator.Enter(ctx, e)
		return strings.Join(append([]string{fmt.Sprintf("Recorded in the run of %s.", name)}, entered.Notes...), " "), err
	case "hold":
		o, err := p.s.Operator.Hold(ctx, control.CellOrder{Cell: cell, By: who})
		return fmt.Sprintf("%s is held: %s.", name, o.Text), err
	}
	o, err := p.s.Operator.Off(ctx, control.CellOrder{Cell: cell, By: who})
	return fmt.Sprintf("%s is off: %s.", name, o.Text), err
}
