package routes

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
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
	case errors.As(err, &refused) && w.lastTime(n):
		w.setAside(n, since, err)
		return true
	}
	w.fail(err)
	return false
}

// attempt hands the notice to the route once and books a success.
func (w *worker) attempt(ctx context.Context, n Notice) (Proof, error) {
	if w.way.Pictures && w.o.Picture != nil && n.Picture == nil {
		picture, err := w.o.Picture(ctx, n)
		if err != nil {
			w.o.Log.Warn("notice goes without a picture", "route", w.way.Route.Name(), "notice", n.ID, "error", err)
		}
		n.Picture = picture
	}
	proof, err := w.way.Route.Deliver(ctx, n.Clean())
	if err != nil {
		return "", err
	}
	now := w.o.Clock.UTC()
	w.state.Proved, w.unsaved, w.sent = now, true, true
	w.retryAt = time.Time{}
	w.mu.Lock()
	failures := w.health.Failures
	w.health.Failures, w.health.LastError = 0, ""
	w.health.Delivered++
	w.health.Proved = now
	w.lost = time.Time{}
	w.mu.Unlock()
	if failures > 0 {
		w.o.Log.Info("route delivers again", "route", w.way.Route.Name(), "failures", failures)
	}
	return proof, nil
}

// lastTime counts a refusal and reports whether the notice has been refused often enough.
func (w *worker) lastTime(n Notice) bool {
	if w.refused != n.ID {
		w.refused, w.refusals = n.ID, 0
	}
	w.refusals++
	return w.refusals >= patience
}

// setAside gives up on one notice that could have gone out since a time, visibly; the
// run log still has it. It counts as waiting until the far side takes another.
func (w *worker) setAside(n Notice, since time.Time, err error) {
	w.state.SetAside++
	w.unsaved, w.sent = true, true
	w.mu.Lock()
	w.health.SetAside, w.health.LastError = w.state.SetAside, err.Error()
	if w.lost.IsZero() {
		w.lost = since
	}
	w.mu.Unlock()
	w.o.Log.Error("notice set aside", "route", w.way.Route.Name(), "notice", n.ID, "subject", n.Subject, "error", err)
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
	r.answer <- Receipt{Route: w.way.Route.Name(), Proof: proof, Took: time.Since(began), Err: err} // has room for one
}

// fail books a failure and sets the time of the next attempt.
func (w *worker) fail(err error) {
	w.mu.Lock()
	w.health.Failures++
	w.health.LastError = err.Error()
	failures := w.health.Failures
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
		w.o.Log.Warn("route does not deliver, trying again", "route", w.way.Route.Name(), "error", err)
	}
}

// backOff returns the real time to wait after so many failures in a row: doubled
// each time up to a bound, and a random half of it, so that many routes do not call together.
func (w *worker) backOff(failures int) time.Duration {
	d := w.o.FirstRetry
	for i := 1; i < failures && d < w.o.LongestRetry; i++ {
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
	for _, since := range [...]time.Time{w.oldest, w.lost, w.stale} {
		if !since.IsZero() {
			h.Lag = max(h.Lag, now.Sub(since))
		}
	}
	return h
}
