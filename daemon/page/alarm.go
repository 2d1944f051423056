package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// linked is what a link on a telephone shows: one alarm, and one button where the link may acknowledge.
type linked struct {
	frameOf
	Cell, CellTitle string
	Alarm           alarmView
	Token           string
	May             bool // acknowledge without a sign-in
	Picture         bool
}

// followed is what a link leads to.
type followed struct {
	link  Link
	cell  *snapshot.Cell
	alarm alerts.Alarm
}

// follow finds the alarm that a link is about. What is refused is refused to a reader and to an acknowledgement alike.
func (p *Page) follow(token string) (f followed, refused error) {
	if p.s.Links == nil {
		return f, refusal(http.StatusNotFound, "this nightcell makes no links to alarms")
	}
	link, err := p.s.Links.Read(token)
	now := p.s.Now()
	if err != nil {
		return f, refusal(http.StatusForbidden, "%w", err)
	}
	alarm := fmt.Sprintf("%s of %s", sentence.Name(link.Condition), sentence.Name(link.Cell))
	c := p.snapshotOf(link.Cell)
	switch {
	case now.After(link.Ends):
		return f, refusal(http.StatusGone, "this link to %s expired at %s", alarm, p.clock(link.Ends, now))
	case c == nil:
		return f, refusal(http.StatusGone, "this link is about cell %s, which is not watched here now", link.Cell)
	case link.Run != filepath.Base(c.Run):
		return f, refusal(http.StatusGone, "this link to %s is about another run; %s", alarm, p.runNow(c))
	}
	for _, a := range c.Alarms {
		switch {
		case a.Condition != link.Condition:
		case a.Since.Equal(link.Since):
			return followed{link, c, a}, nil
		default:
			return f, refusal(http.StatusGone, "this link is about an alarm that is over: %s came again at %s, with a link of its own", alarm, p.clock(a.Since, now))
		}
	}
	return f, refusal(http.StatusGone, "the alarm of %s at %s is over; there is nothing left to acknowledge", alarm, p.clock(link.Since, now))
}

// runNow says which run is watched, for whoever holds a link to another.
func (p *Page) runNow(c *snapshot.Cell) string {
	if c.Run == "" {
		return "none is open now"
	}
	return "now it is the " + p.runText(c.Run)
}

// showLinked shows the alarm of a link. It acknowledges nothing: whoever previews a link fetches it.
func (p *Page) showLinked(w http.ResponseWriter, r *http.Request) error {
	token := r.PathValue("token")
	f, refused := p.follow(token)
	link, c, a := f.link, f.cell, f.alarm
	if refused != nil {
		return refused
	}
	v := linked{
		frameOf: p.frameFor(r, sentence.Name(c.Name)+": "+sentence.Name(a.Condition), ""), Cell: c.Name, CellTitle: sentence.Name(c.Name),
		Alarm: p.alarmView(a, p.s.Now()), Token: token, Picture: p.s.Picture != nil,
		May: a.State.Unanswered() && p.s.ByLink != nil && p.s.ByLink(link.Route) && !p.s.Links.wasUsed(link),
	}
	p.render(w, http.StatusOK, "alarm.html", v)
	return nil
}

// acknowledgeLinked acknowledges the alarm of a link, once.
func (p *Page) acknowledgeLinked(w http.ResponseWriter, r *http.Request) error {
	if !p.taps.allow(r) {
		w.Header().Set("Retry-After", "10")
		return refusal(http.StatusTooManyRequests, "too many attempts. Wait ten seconds")
	}
	token := r.PathValue("token")
	f, refused := p.follow(token)
	link, c, a := f.link, f.cell, f.alarm
	switch {
	case refused != nil:
		return refused
	case !a.State.Unanswered(): // somebody was faster
		http.Redirect(w, r, "/alarm/"+url.PathEscape(token), http.StatusSeeOther)
		return nil
	case p.s.ByLink == nil || !p.s.ByLink(link.Route):
		return refusal(http.StatusForbidden, "links of route %s do not acknowledge: sign in on the page. acknowledge_by_link under [route.%s] in the configuration allows it", link.Route, link.Route)
	}
	ok, err := p.s.Links.use(link, p.s.Now())
	if err != nil {
		return refusal(http.StatusInsufficientStorage, "%w. Nothing was acknowledged; sign in on the page", err)
	}
	if !ok {
		return refusal(http.StatusForbidden, "this link was used once already. Sign in on the page, or take the link of a newer message")
	}
	ctx, cancel := context.WithTimeout(r.Context(), mostActing)
	defer cancel()
	defer p.forget()
	if err := p.s.Operator.ChangeAlarm(ctx, control.AlarmOrder{Act: control.Acknowledge, Cell: c.Name, Condition: a.Condition, By: link.By()}); err != nil {
		p.s.Log.Warn("page: acknowledgement by link refused", "cell", c.Name, "condition", a.Condition, "by", link.By(), "err", errors.Join(err, p.s.Links.release(link)))
		return err
	}
	p.s.Log.Info("page: acknowledged by link", "cell", c.Name, "condition", a.Condition, "by", link.By())
	http.Redirect(w, r, "/alarm/"+url.PathEscape(token), http.StatusSeeOther)
	return nil
}

// pictureLinked draws the hours before a link's alarm up to now.
func (p *Page) pictureLinked(w http.ResponseWriter, r *http.Request) {
	f, refused := p.follow(r.PathValue("token"))
	if refused != nil || p.s.Picture == nil || !p.reads.Allow() {
		http.NotFound(w, r)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), 10*time.Second)
	defer cancel()
	png, err := p.s.Picture(ctx, f.cell.Name, f.alarm.Since)
	if err != nil || png == nil {
		p.s.Log.Debug("page: picture of a link", "cell", f.cell.Name, "err", err)
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", "image/png")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(png) // the reader may have gone; nothing is lost
}
