package routes

import (
	"context"
	"errors"
	"time"
)

// renew tells a far side that keeps alarms in memory all that stand there, when it is time:
// whatever the route's repeat is, also while a notice waits to be tried again, so that a far side which was restarted has
// them back within one interval. The queue must have been loaded.
func (w *worker) renew(delivery context.Context) {
	k, ok := w.way.Route.(Keeper)
	if !ok || time.Now().Before(w.renewAt) {
		return
	}
	w.renewAt = time.Now().Add(k.RenewEvery())
	standing := w.standing()
	if len(standing) == 0 {
		w.renewed(nil)
		return
	}
	ctx, cancel := context.WithTimeout(delivery, w.way.Timeout)
	defer cancel()
	err := k.Renew(ctx, standing)
	if delivery.Err() != nil { // stopping
		return
	}
	var busy *Busy
	if errors.As(err, &busy) {
		w.renewAt = time.Now().Add(max(k.RenewEvery(), busy.After))
	}
	if w.renewed(err); err == nil {
		w.retryAt = time.Time{} // it answers: what waits need not wait longer
	}
}

// standing lists the alarms that the far side was told and that are not over, acknowledged or not.
func (w *worker) standing() []Notice {
	var all []Notice
	for i := range w.state.Open {
		if o := &w.state.Open[i]; o.Told > 0 && !o.Aside && w.wants(o.Notice) {
			all = append(all, o.Notice.Clean())
		}
	}
	return all
}

// renewed books the outcome of a renewal.
func (w *worker) renewed(err error) {
	w.mu.Lock()
	failed, before := err != nil, !w.stale.IsZero()
	switch {
	case failed && !before:
		w.stale = w.o.Clock.UTC()
	case !failed:
		w.stale = time.Time{}
		if before && w.health.Failures == 0 {
			w.health.LastError = ""
		}
	}
	if failed {
		w.health.LastError = err.Error()
	}
	w.mu.Unlock()
	switch { // said once, and again when it works
	case failed && !before:
		w.o.Log.Warn("route does not take again what stands, trying again", "route", w.way.Route.Name(), "error", err)
	case !failed && before:
		w.o.Log.Info("route takes again what stands", "route", w.way.Route.Name())
	}
}
