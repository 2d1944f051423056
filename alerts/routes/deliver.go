package routes

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// patience is how often a notice is offered that the far side refuses for good
// before it is set aside, so that it does not block what comes after it.
const patience = 5

// late is the delay from which a notice says that it comes late.
const late = 2 * time.Minute

// send delivers one notice that could have gone out since a time. It returns
// false if the notice has to be tried again.
func (w *worker) send(delivery context.Context, n Notice, since time.Time) bool {
	w.mu.Lock()
	w.oldest = since
	w.mu.Unlock()
	if d := w.o.Clock.UTC().Sub(since); d > late && n.Repeat == 0 {
		n.Delayed = d
	}
	ctx, cancel := context.WithTimeout(delivery, w.way.Timeout)
	defer cancel()
	_, err := w.attempt(ctx, n)
	var refused *Refused
	switch {
	case err == nil:
		return true
	case delivery.Err() != nil: // stopping: neither delivered nor a fault of the route
		return false
	case errors.As(err, &refused):
		if w.refused != n.ID {
			w.refused, w.refusals = n.ID, 0
		}
		if w.refusals++; w.refusals >= patience {
			w.setAside(n, since, err)
			return true
		}
	}
	w.fail(err)
	return false
}

// attempt hands the notice to the route once and books a success.
func (w *worker) attempt(ctx context.Context, n Notice) (Proof, error) {
	if w.way.Pictures && w.o.Picture != nil && n.Picture == nil {
		picture, err := w.o.Picture(ctx, n)
		if err != nil {
			w.o.Log.Warn("notification sent without a picture", "route", w.way.Route.Name(), "notice", n.ID, "error", err)
		}
		n.Picture = picture
	}
	if w.o.Link != nil {
		n.link = func(person string) string { return w.o.Link(w.way.Route.Name(), person, n) }
		n.Link = n.link("")
	}
	n.Subject = lineOf(n, w.o.Clock.UTC(), w.way.Zone)
	proof, err := w.way.Route.Deliver(ctx, n.Clean())
	if err != nil {
		return "", err
	}
	now := w.o.Clock.UTC()
	w.state.Proved, w.unsaved, w.sent = now, true, true
	w.retryAt = time.Time{}
	w.mu.Lock()
	failures := w.health.Failed
	w.health.Failed, w.health.Problem = 0, ""
	w.health.Delivered++
	w.health.Proved = now
	w.lost = time.Time{}
	w.mu.Unlock()
	if failures > 0 {
		w.o.Log.Info("route delivers again", "route", w.way.Route.Name(), "failures", failures)
	}
	return proof, nil
}

// setAside gives up on one notice that could have gone out since a time, visibly; the
// run log still has it. It counts as waiting until the far side takes another.
func (w *worker) setAside(n Notice, since time.Time, err error) {
	w.state.SetAside++
	w.unsaved, w.sent = true, true
	w.mu.Lock()
	w.health.SetAside, w.health.Problem = w.state.SetAside, err.Error()
	if w.lost.IsZero() {
		w.lost = since
	}
	w.mu.Unlock()
	w.o.Log.Error("notification dropped", "route", w.way.Route.Name(), "notice", n.ID, "subject", n.Subject, "error", err)
}

// drill sends a test notice past the queue and answers with the proof.
func (w *worker) drill(delivery context.Context, r request) {
	ctx, cancel := context.WithTimeout(r.ctx, w.way.Timeout)
	defer cancel()
	defer context.AfterFunc(delivery, cancel)()
	began := time.Now()
	proof, err := w.attempt(ctx, *r.drill)
	if err != nil {
		err = fmt.Errorf("route %s: %w", w.way.Route.Name(), err)
	} else if w.loaded || w.load(delivery) {
		w.save() // who reads the proof may count on it, whatever happens to this process next
	}
	r.answer <- Receipt{Route: w.way.Route.Name(), Proof: proof, TookSeconds: time.Since(began).Seconds(), Err: err} // has room for one
}

// fail books a failure and sets the time of the next attempt.
func (w *worker) fail(err error) {
	w.mu.Lock()
	w.health.Failed++
	w.health.Problem = err.Error()
	failures := w.health.Failed
	if w.oldest.IsZero() { // it cannot even look whether there is something to deliver
		w.oldest = w.o.Clock.UTC()
	}
	w.mu.Unlock()
	wait := w.backOff(failures)
	var busy *Busy
	if errors.As(err, &busy) {
		wait = max(wait, busy.After)
	}
	w.retryAt = time.Now().Add(wait)
	if busy != nil {
		w.renewAt = w.retryAt // it asked to be left alone
	}
	if failures == 1 { // said once, and again when it works
		w.o.Log.Warn("route does not deliver, retrying", "route", w.way.Route.Name(), "error", err)
	}
}

// backOff returns the real time to wait after so many failures in a row: doubled
// each time up to a bound, and a random half of it, so that many routes do not call together.
func (w *worker) backOff(failures uint64) time.Duration {
	d := w.o.FirstRetry
	for i := uint64(1); i < failures && d < w.o.LongestRetry; i++ {
		d *= 2
	}
	d = min(d, w.o.LongestRetry)
	return d/2 + rand.N(d/2+1)
}

// report returns the health as it is now.
func (w *worker) report() Health {
	now := w.o.Clock.UTC()
	w.mu.Lock()
	defer w.mu.Unlock()
	h := w.health
	if h.Problem == "" && w.unsavable != nil {
		h.Problem = w.unsavable.Error()
	}
	for _, since := range [...]time.Time{w.oldest, w.lost, w.stale} {
		if !since.IsZero() {
			h.Lag = max(h.Lag, now.Sub(since))
		}
	}
	return h
}

// mostUrgent bounds the notices that wait in memory alone, and mostAhead those that are
// remembered as dealt with until the source has them; beyond it some come twice.
const (
	mostUrgent = 100
	mostAhead  = 1000
)

// addUrgent takes a notice that the source cannot hold for now. Any goroutine may call it.
func (w *worker) addUrgent(n Notice) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.urgent = append(w.urgent, n)
	if len(w.urgent) <= mostUrgent {
		return
	}
	least := 0
	for i := range w.urgent {
		if w.urgent[i].Priority < w.urgent[least].Priority {
			least = i
		}
	}
	w.urgent = slices.Delete(w.urgent, least, least+1)
}

// takeOver goes on with what the worker of the same route before knew and the source does not.
func (w *worker) takeOver(before *worker) {
	before.mu.Lock()
	waiting := slices.Clone(before.urgent)
	before.mu.Unlock()
	w.mu.Lock()
	waiting, w.urgent = append(waiting, w.urgent...), nil
	w.mu.Unlock()
	for _, n := range waiting {
		w.addUrgent(n)
	}
	select {
	case <-before.done:
		w.ahead = before.ahead
	default: // it is stuck in a delivery, so its memory is not ours to read
	}
}

// nextUrgent returns the oldest that may go out now; it stays until dropUrgent. What
// quiet hours hold back waits for their end, or for the source.
func (w *worker) nextUrgent() (Notice, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if i := slices.IndexFunc(w.urgent, func(n Notice) bool { return !w.holds(n) }); i >= 0 {
		return w.urgent[i], true
	}
	return Notice{}, false
}

func (w *worker) dropUrgent(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.urgent = slices.DeleteFunc(w.urgent, func(n Notice) bool { return n.ID == id })
}

// getAhead deals with a notice before the source has it. It returns false if it has to be tried again.
func (w *worker) getAhead(delivery context.Context, n Notice) bool {
	if !w.handle(delivery, n, n.At) {
		return false
	}
	if w.ahead == nil || len(w.ahead) >= mostAhead {
		w.ahead = map[string]bool{}
	}
	w.ahead[n.ID], w.unsaved = true, true
	w.state.setAhead(n, true)
	w.dropUrgent(n.ID)
	return true
}

// setAhead marks the open alarm that a notice raised, if it did, as one that the source does not have.
func (s *state) setAhead(n Notice, ahead bool) {
	if o := s.find(n.subjectOf()); o != nil && o.Notice.ID == n.ID {
		o.Ahead = ahead
	}
}

// forgetAhead ends the reminders of alarms that the process before told and no source
// has: nothing would ever end them. Whoever raised them raises them anew if they still hold. What
// this process told, by its IDs, stays.
func (s *state) forgetAhead(own map[string]bool) {
	forget := func(o *openAlarm) bool { return o.Ahead && !own[o.Notice.ID] }
	s.Open = slices.DeleteFunc(s.Open, func(o openAlarm) bool { return o.Told == 0 && forget(&o) })
	for i := range s.Open {
		if forget(&s.Open[i]) {
			s.Open[i].answer()
			s.Open[i].Aside = true // nor is it told to stand any more
		}
	}
}

// renew tells a far side that keeps alarms in memory all that stand there, when it is time:
// whatever the route's repeat is, also while a notice waits to be tried again, so that a far side which was restarted has
// them back within one interval. The queue must have been loaded.
func (w *worker) renew(delivery context.Context) {
	if time.Now().Before(w.renewAt) {
		return
	}
	w.renewAt = time.Now().Add(w.keep.RenewEvery())
	var err error
	if standing := w.standing(); len(standing) > 0 {
		ctx, cancel := context.WithTimeout(delivery, w.way.Timeout)
		defer cancel()
		err = w.keep.Renew(ctx, standing)
		if delivery.Err() != nil { // stopping
			return
		}
		var busy *Busy
		if errors.As(err, &busy) {
			w.renewAt = time.Now().Add(max(w.keep.RenewEvery(), busy.After))
		}
		if err == nil {
			w.retryAt = time.Time{} // it answers: what waits need not wait longer
		}
	}
	w.mu.Lock()
	before := !w.stale.IsZero()
	if err != nil {
		w.health.Problem = err.Error()
		if !before {
			w.stale = w.o.Clock.UTC()
		}
	} else {
		w.stale = time.Time{}
		if before && w.health.Failed == 0 {
			w.health.Problem = ""
		}
	}
	w.mu.Unlock()
	switch { // said once, and again when it works
	case err != nil && !before:
		w.o.Log.Warn("route does not accept active alarms again, retrying", "route", w.way.Route.Name(), "error", err)
	case err == nil && before:
		w.o.Log.Info("route accepts active alarms again", "route", w.way.Route.Name())
	}
}

// standing lists the alarms that the far side was told and that are not over, acknowledged or not.
func (w *worker) standing() []Notice {
	var all []Notice
	for i := range w.state.Open {
		if o := &w.state.Open[i]; o.Told > 0 && !o.Aside && w.wants(o.Notice) {
			n := o.Notice
			if w.o.Link != nil { // it replaces what was told before
				n.Link = w.o.Link(w.way.Route.Name(), "", n)
			}
			all = append(all, n.Clean())
		}
	}
	return all
}
