package routes

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"
)

// worker is one route's goroutine and all that belongs to it.
type worker struct {
	way  Way
	keep Keeper // the route, where its far side keeps alarms standing; else nil
	o    *Options
	wake chan struct{}
	asks chan request
	done chan struct{}

	// Owned by the goroutine.
	state     state
	loaded    bool
	unloaded  int             // how often the state could not be loaded
	unsaved   bool            // the state differs from the saved one
	sent      bool            // and by a delivery, so it is worth saving at once
	retryAt   time.Time       // real time before which nothing is tried
	refused   string          // ID of the notice refused last
	refusals  int             // how often in a row
	waiting   []request       // for a Flush
	quietOver time.Time       // when the telling of held notices began
	ahead     map[string]bool // IDs dealt with before the source had them
	unread    bool            // the source could not be read at the last look
	renewAt   time.Time       // real time of the next renewal of what stands, on a route that keeps alarms

	mu        sync.Mutex
	urgent    []Notice // that the source cannot hold for now
	health    Health
	oldest    time.Time // when the oldest notice that may go out could first have gone, zero if none
	lost      time.Time // likewise of the oldest set aside since the far side last took one, zero if none
	unsavable error     // why the state could not be saved
	stale     time.Time // when the renewal of what stands first failed, zero while it works
}

// request asks a worker for a drill or, if drill is nil, for word when nothing is left to do.
type request struct {
	ctx    context.Context
	drill  *Notice
	answer chan Receipt
}

func newWorker(way Way, o *Options) *worker {
	keep, _ := way.Route.(Keeper)
	return &worker{
		way: way, keep: keep, o: o,
		wake:   make(chan struct{}, 1),
		asks:   make(chan request),
		done:   make(chan struct{}),
		health: Health{Name: way.Route.Name()},
	}
}

// run works until loop ends. Deliveries run under the context delivery, which may end later.
func (w *worker) run(loop, delivery context.Context) {
	defer close(w.done)
	timer := time.NewTimer(0)
	defer timer.Stop()
	defer w.save()
	for {
		select {
		case <-loop.Done():
			return
		case <-w.wake:
		case <-timer.C:
		case r := <-w.asks:
			if r.drill != nil {
				w.drill(delivery, r)
			} else {
				w.waiting = append(w.waiting, r)
			}
		}
		if loop.Err() != nil { // select may prefer another case
			return
		}
		timer.Reset(w.work(delivery))
	}
}

// ask puts a request to the goroutine and waits for the answer, for ctx, or for the end of the goroutine.
func (w *worker) ask(ctx context.Context, drill *Notice) Receipt {
	r := request{ctx, drill, make(chan Receipt, 1)}
	name := w.way.Route.Name()
	answer := Receipt{Route: name}
	select {
	case w.asks <- r:
		select {
		case answer = <-r.answer:
		case <-ctx.Done():
			answer.Err = fmt.Errorf("route %s: no answer in time: %w", name, context.Cause(ctx))
		case <-w.done:
			answer.Err = fmt.Errorf("route %s has stopped", name)
		}
	case <-ctx.Done():
		answer.Err = fmt.Errorf("route %s is busy: %w", name, context.Cause(ctx))
	case <-w.done:
		answer.Err = fmt.Errorf("route %s has stopped", name)
	}
	return answer
}

// work does what can be done and returns the real time until there may be more.
func (w *worker) work(delivery context.Context) time.Duration {
	if w.keep == nil {
		return w.carry(delivery)
	}
	if w.loaded {
		w.renew(delivery)
	}
	wait := w.carry(delivery)
	return min(wait, max(time.Until(w.renewAt), time.Millisecond))
}

// carry does the next thing that can be done and returns the real time until there may be another.
func (w *worker) carry(delivery context.Context) time.Duration {
	if wait := time.Until(w.retryAt); wait > 0 {
		return wait
	}
	if !w.loaded && !w.load(delivery) {
		if urgent, found := w.nextUrgent(); found { // needs no state
			w.getAhead(delivery, urgent)
		}
		return max(0, time.Until(w.retryAt))
	}
	more, ok := w.step(delivery)
	if w.sent || !more {
		w.save()
	}
	switch {
	case !ok:
		return max(0, time.Until(w.retryAt))
	case more:
		return 0
	}
	w.rest()
	return w.untilDue()
}

// rest notes that nothing is left to do.
func (w *worker) rest() {
	w.mu.Lock()
	w.oldest = time.Time{}
	w.mu.Unlock()
	for _, r := range w.waiting {
		r.answer <- Receipt{Route: w.way.Route.Name()} // has room for one
	}
	w.waiting = nil
}

// untilDue returns the real time until something may be due, at most that until the next look at the source.
func (w *worker) untilDue() time.Duration {
	wait := w.o.Poll
	now := w.o.Clock.UTC()
	for i := range w.state.Open {
		if due := w.state.Open[i].Due; due.After(now) {
			wait = min(wait, w.o.Clock.Real(due.Sub(now)))
		}
	}
	return max(wait, time.Millisecond)
}

// loadTries is how often a state that cannot be read is tried before the route begins anew. With
// the doubling waits between them that is about half a minute: a person must be fetched although a disk fails.
const loadTries = 6

// load reads the saved state, or begins as a newcomer. It returns false if it has to be tried again.
func (w *worker) load(ctx context.Context) bool {
	name := w.way.Route.Name()
	data, err := w.o.Store.Load(name)
	if err != nil {
		if w.unloaded++; w.unloaded < loadTries {
			w.fail(fmt.Errorf("load the state of the route: %w", err))
			return false
		}
	}
	var s state
	if err == nil && len(data) > 0 {
		if err = json.Unmarshal(data, &s); err != nil {
			err = fmt.Errorf("the saved state is damaged: %w", err)
		}
	}
	switch {
	case err != nil:
		if s, err = w.beginAnew(ctx, err); err != nil {
			w.fail(err)
			return false
		}
	case len(data) == 0:
		if s, err = w.newcomer(ctx); err != nil {
			w.fail(fmt.Errorf("find the newest notification: %w", err))
			return false
		}
	}
	if w.state.Proved.After(s.Proved) { // a drill came before there was anything to read it into
		s.Proved = w.state.Proved
	}
	for _, o := range w.state.Open { // likewise what went past the source
		s.remove(o.Notice.subjectOf())
		s.Open = append(s.Open, o)
	}
	s.forgetAhead(w.ahead)
	w.state, w.loaded, w.unsaved = s, true, true
	w.mu.Lock()
	w.health.Proved, w.health.SetAside = s.Proved, s.SetAside
	w.mu.Unlock()
	w.save()
	return true
}

// save makes the state durable. If that fails the work goes on: after a restart
// some notices go out twice, which is better than not going out.
func (w *worker) save() {
	w.sent = false
	if !w.loaded || !w.unsaved {
		return
	}
	data, err := json.Marshal(&w.state)
	if err == nil {
		err = w.o.Store.Save(w.way.Route.Name(), data)
	}
	w.unsaved = err != nil
	w.mu.Lock()
	before := w.unsavable
	w.unsavable, w.health.OpenAlarms = err, len(w.state.Open)
	w.mu.Unlock()
	if before == nil && err != nil {
		w.o.Log.Error("route state not saved", "route", w.way.Route.Name(), "error", err)
	}
}

// Daily is a time of every day; the zero value is none.
type Daily struct {
	At       time.Duration  // since midnight by the wall clock of Location
	Location *time.Location // nil: there is none
}

// after is the first such time behind t.
func (d Daily) after(t time.Time) time.Time {
	local := t.In(d.Location)
	for day := range 3 { // a day without it, as clocks are set forward, is made up for by time.Date
		next := time.Date(local.Year(), local.Month(), local.Day()+day, 0, int(d.At/time.Minute), 0, 0, d.Location)
		if next.After(t) {
			return next
		}
	}
	return t.Add(24 * time.Hour)
}

// summary returns the summary that is due and since when, or a zero time. One that was missed is told late, once.
func (w *worker) summary() (n Notice, due time.Time) {
	if w.way.Summary.Location == nil || w.o.Summary == nil {
		return n, due
	}
	now := w.o.Clock.UTC()
	if last := w.state.Summed; last.IsZero() || last.After(now) { // a newcomer, or the calendar was set back
		w.state.Summed, w.unsaved = now, true
		return n, due
	}
	if due = w.way.Summary.after(w.state.Summed); due.After(now) {
		return n, time.Time{}
	}
	n, ok := w.o.Summary(w.way.Cells, w.state.Summed)
	if !ok { // nothing was watched since
		w.state.Summed, w.unsaved = now, true
		return n, time.Time{}
	}
	n.Kind, n.At, n.ID = Summary, now, "summary-"+due.UTC().Format(time.RFC3339)
	return n, due
}

// thinnedBy is how many times as long each wait is than the one before once the cell is safe.
const thinnedBy = 4

// mostThinned bounds how often a wait is lengthened: from 15 min that is to 64 h.
const mostThinned = 4

// thinned reports whether a reminder that is due may wait, because the cell is known to be safe: each comes four times
// as late as the one before, and only the first of the most urgent alarms is told again. Whoever comes for it finds the others.
func (w *worker) thinned(o *openAlarm, now time.Time) bool {
	if o.Told == 0 || w.o.Safe == nil || !w.o.Safe(o.Notice.Cell) {
		return false
	}
	wait := w.way.Repeat
	for range min(o.Told, mostThinned) {
		wait *= thinnedBy
	}
	if now.Sub(o.From) < wait {
		return true
	}
	older := true
	for i := range w.state.Open {
		other := &w.state.Open[i]
		if other == o {
			older = false
			continue
		}
		first := other.Notice.Priority > o.Notice.Priority || other.Notice.Priority == o.Notice.Priority && older
		if first && other.Told > 0 && !other.Answered && other.Notice.Cell == o.Notice.Cell {
			return true
		}
	}
	return false
}
