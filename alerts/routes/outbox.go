package routes

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"nightcell/alerts"
	"sync"
	"time"
)

// Source is where notices come from, oldest first, each at a cursor. It is the
// durable queue; it must be safe for use by several goroutines.
type Source interface {
	// Next returns the first notice after cursor and the cursor behind it. When
	// there is none yet it returns io.EOF, at once. A notice is returned again,
	// unchanged, whenever the same cursor is asked. A cursor at which no notice can end is ErrCursor.
	Next(ctx context.Context, cursor string) (n Notice, next string, err error)
	// Start returns the cursor at which a route without saved state begins,
	// commonly that behind the newest notice, so that old news is not told to a newcomer.
	Start(ctx context.Context) (cursor string, err error)
	// Latest returns the cursor before the first notice of the newest run, because no alarm outlives its run.
	Latest(ctx context.Context) (cursor string, err error)
}

// ErrCursor says that a cursor is none that its Source gave: the saved state that holds it is
// damaged, or the source is no longer the same.
var ErrCursor = errors.New("the place in the queue of notifications is damaged")

// Store keeps the state of each route across restarts.
type Store interface {
	// Load returns what was saved last for the route, or nil.
	Load(route string) ([]byte, error)
	// Save replaces it, atomically and durably.
	Save(route string, data []byte) error
	// SetAside gives a state that cannot be read another name, and says which, so that Save does not replace it.
	SetAside(route string) (where string, err error)
}

// Clock tells the calendar time, and how long a time of its own lasts on the machine's clock.
type Clock interface {
	UTC() time.Time
	Real(time.Duration) time.Duration
}

// Way is one route and the rules for using it.
type Way struct {
	Route Route
	// Pictures says that the route makes use of Notice.Picture.
	Pictures bool
	// Least is the lowest priority that this route carries.
	Least alerts.Priority
	// Cells limits the route to these cells; empty: all.
	Cells []string
	// After makes the route an escalation: it carries only alarms that nobody has
	// answered that long after they were raised, what follows from those, and news of the highest priority.
	After time.Duration
	// Repeat reminds of an alarm at this interval until it is answered; 0: never.
	Repeat time.Duration
	// ReportAcknowledged passes on that an alarm was acknowledged or quieted, not only that it is over.
	ReportAcknowledged bool
	// Quiet are the hours in which only urgent notices go out; the others wait for the end of them.
	Quiet Quiet
	// Summary is when the route tells how its cells have fared; the zero value: never.
	Summary Daily
	// Zone is that of the times in a subject; nil: it has none.
	Zone *time.Location
	// Timeout bounds one delivery, in real time. 0: one minute.
	Timeout time.Duration
}

// Options are what the routes of an Outbox share. Source, Store and Clock are required.
type Options struct {
	Source Source
	Store  Store
	Clock  Clock
	// Picture returns a PNG of the last hours for a notice, or nil; it is asked for
	// routes that make use of them. A failure never holds a notice back.
	Picture func(ctx context.Context, n Notice) ([]byte, error)
	// Present gives the figures of a cell at this moment, named like Notice.Values, for an alarm that is
	// told late or again; nil: those of when it was raised stay.
	Present func(cell string) map[string]float64
	// Safe says whether a cell is known to do no harm at this moment: its output verified off, or held. Reminders thin
	// out meanwhile. nil: nobody knows.
	Safe func(cell string) bool
	// Link returns the address of what a notice is about, made for a person whom a route carries it to, "" for whoever
	// reads the route; nil: notices carry none.
	Link func(route, person string, n Notice) string
	// Summary tells of cells, of all for none, since a moment; false if nothing was watched since. nil: nobody can.
	Summary func(cells []string, since time.Time) (Notice, bool)
	// Poll is the longest time between two looks at the Source without a Wake, in real time. 0: 5 s.
	Poll time.Duration
	// FirstRetry and LongestRetry bound the exponential back-off, in real time. 0: 1 s and 5 min.
	FirstRetry, LongestRetry time.Duration
	Log                      *slog.Logger
}

// Outbox delivers notices over its routes, each in an order of its own and at
// least once: a notice leaves a route's queue only when the far side has said
// that it has it. One goroutine works for each route, so a dead one delays no other.
type Outbox struct {
	workers []*worker
	begun   sync.Once // by Start, or by Stop, so that Start after it does nothing

	loop, delivery  context.Context
	cancel, abandon context.CancelFunc // of these
}

// NewOutbox checks that the routes can be told apart and returns an Outbox that is not yet started.
func NewOutbox(o Options, ways ...Way) (*Outbox, error) {
	o.Poll, o.FirstRetry = cmp.Or(o.Poll, 5*time.Second), cmp.Or(o.FirstRetry, time.Second)
	o.LongestRetry = max(cmp.Or(o.LongestRetry, 5*time.Minute), o.FirstRetry)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	box := &Outbox{}
	box.loop, box.cancel = context.WithCancel(context.Background())
	box.delivery, box.abandon = context.WithCancel(context.Background())
	names := map[string]bool{}
	for _, way := range ways {
		name := way.Route.Name()
		if name == "" || names[name] {
			return nil, fmt.Errorf("outbox: route name %q is empty or used twice", name)
		}
		names[name] = true
		way.Timeout = cmp.Or(way.Timeout, time.Minute)
		box.workers = append(box.workers, newWorker(way, &o))
	}
	return box, nil
}

// Start begins the work. A second call, or one after Stop, does nothing.
func (b *Outbox) Start() {
	b.begun.Do(func() {
		for _, w := range b.workers {
			go w.run(b.loop, b.delivery) // ends with Stop
		}
	})
}

// Stop ends the work: deliveries in progress may finish until ctx ends and are
// then abandoned, to be done again after the next start. It returns an error that
// names the routes which did not let go within five seconds more. Calling it again is harmless.
func (b *Outbox) Stop(ctx context.Context) error {
	b.begun.Do(func() {
		for _, w := range b.workers {
			close(w.done)
		}
	})
	b.cancel()
	var stuck []error
	for _, w := range b.workers {
		// Ends: with the delivery, with ctx, or with the grace after it.
		select {
		case <-w.done:
			continue
		case <-ctx.Done():
		}
		b.abandon()
		select {
		case <-w.done:
		case <-time.After(5 * time.Second):
			stuck = append(stuck, fmt.Errorf("route %s is still busy with a delivery", w.way.Route.Name()))
		}
	}
	b.abandon()
	return errors.Join(stuck...)
}

// Wake tells every route that the Source has something new. It never blocks.
func (b *Outbox) Wake() {
	for _, w := range b.workers {
		select {
		case w.wake <- struct{}{}:
		default: // one look is already due, and it will see this too
		}
	}
}

// Tell hands every route a notice that the Source cannot hold for now, because its disk
// takes nothing: it goes out by the same rules, but this process alone remembers it. Found in the Source later, it is
// not sent again. Tell never blocks; of more than mostUrgent at once the oldest of least priority is let go.
func (b *Outbox) Tell(n Notice) {
	for _, w := range b.workers {
		w.addUrgent(n)
	}
	b.Wake()
}

// TakeOver goes on with what a stopped Outbox was told and its Source does not have, route by
// route of the same name. It comes before Start.
func (b *Outbox) TakeOver(before *Outbox) {
	for _, w := range b.workers {
		for _, old := range before.workers {
			if old.way.Route.Name() == w.way.Route.Name() {
				w.takeOver(old)
			}
		}
	}
}

// Flush waits until every route has delivered all that it may deliver now, or
// until ctx ends; then the error names the routes that are behind. The Outbox must have been started.
func (b *Outbox) Flush(ctx context.Context) error {
	receipts := b.askAll(ctx, nil)
	behind := make([]error, len(receipts))
	for i, r := range receipts {
		behind[i] = r.Err
	}
	return errors.Join(behind...)
}

// Receipt is the outcome of a drill on one route.
type Receipt struct {
	Route       string  `json:"route"`
	Delivered   bool    `json:"delivered"`
	Proof       Proof   `json:"proof,omitempty"`
	TookSeconds float64 `json:"took_seconds"`
	Problem     string  `json:"problem,omitempty"` // Err in words
	Err         error   `json:"-"`
}

// Drill sends n, marked as a drill, over every route at once, past queues, quiet
// hours and escalation, and waits for proof of delivery until ctx ends. There is
// one receipt for each route, in the order of configuration. The Outbox must have been started.
func (b *Outbox) Drill(ctx context.Context, n Notice) []Receipt {
	n.Kind, n.Drill = Drill, true
	return b.askAll(ctx, &n)
}

// askAll puts a question to every worker at once and waits for all the answers.
func (b *Outbox) askAll(ctx context.Context, drill *Notice) []Receipt {
	receipts := make([]Receipt, len(b.workers))
	var all sync.WaitGroup
	for i, w := range b.workers {
		// Ends: with the answer, with ctx, or with the worker.
		all.Go(func() {
			r := w.ask(ctx, drill)
			if r.Delivered = r.Err == nil; !r.Delivered {
				r.Problem = r.Err.Error()
			}
			receipts[i] = r
		})
	}
	all.Wait()
	return receipts
}

// Health is how a route, or a push, gets on: how far it is behind and what stops it. It is for metrics, the page and the alarm that a
// notice cannot be delivered.
type Health struct {
	Name string
	// Lag is how long the oldest that may go out has been waiting; 0 when none is. Of a route, one that was set aside
	// waits until the far side takes another; one that cannot read what there is waits too.
	Lag          time.Duration
	OpenAlarms   int    // told by a route, or waiting to be escalated, and not yet over
	WaitingBytes int64  // of the logs, of a push
	Delivered    uint64 // notices or lines that the far side took since the start
	Failed       uint64 // attempts: of a push since the start, of a route since it last delivered
	SetAside     uint64 // what the far side will never take: of a push since the start, of a route ever
	// Proved is when a route's far side last took a notice, over restarts; zero if never.
	Proved time.Time
	// Problem is what stops it, or why a route's state cannot be saved: then notices go out, but may go out twice after a restart.
	Problem string
}

// Health returns the state of each route, in the order of configuration.
func (b *Outbox) Health() []Health {
	all := make([]Health, len(b.workers))
	for i, w := range b.workers {
		all[i] = w.report()
	}
	return all
}

// Proof is what the far side said when it took a notice, in one line: "HTTP 204",
// "PUBACK", "250 2.0.0 queued", "exit status 0". It is shown after a drill and never parsed.
type Proof string

// Route is one way to a person. Deliver is called by one goroutine at a time, and
// must return soon after ctx ends.
type Route interface {
	// Name is the route's name in the configuration; it is unique within an Outbox.
	Name() string
	// Deliver hands over the notice and returns once the far side has said that it
	// has it. A *Refused error says that the far side will never take this notice
	// while it may take others; any other error is tried again for as long as it takes.
	Deliver(ctx context.Context, n Notice) (Proof, error)
}

// Settings describe a route: of what is not common to all, each kind uses its own.
type Settings struct {
	Name          string
	URL           Secret            // webhook, Alertmanager (to which /api/v2/alerts is appended), and the MQTT broker: mqtt://host:1883 or mqtts://host:8883. It may hold a token: errors name the host alone
	Authorization Secret            // webhook, Alertmanager: the whole header, such as "Bearer …"
	Key           Secret            // webhook: signs each post when it is set
	CAFile        string            // a PEM file of authorities to trust besides the system's
	Labels        map[string]string // Alertmanager: added to every alert, such as the name of the laboratory
	Link          string            // Alertmanager: where the alert points to, such as the address of the page; may be empty
	Topic         string            // MQTT: the beginning of the topic, to which /CELL/KIND is appended; empty: "nightcell"
	ClientID      string            // MQTT: unique at the broker; empty: another one for each connection
	Server        string            // e-mail: the host
	Port          int               // e-mail; 0: the common one of the encryption
	Encryption    Encryption        // e-mail
	From          string            // e-mail
	To            []string          // e-mail
	User          string            // e-mail, MQTT
	Password      Secret            // e-mail, MQTT
	Command       []string          // program and arguments as they are: no shell reads them and nothing from a notice is put into them
	Templates     *Templates        // e-mail, command
}

// Keeper is the optional ability of a route whose far side keeps alarms standing, in
// memory alone: it must be told every one of them again and again, acknowledged ones too, and the end of each for
// whatever reason it ends.
type Keeper interface {
	// Renew tells all the alarms that stand, each as it was told last.
	Renew(ctx context.Context, standing []Notice) error
	// RenewEvery is the time from one Renew to the next, in real time.
	RenewEvery() time.Duration
}

// Refused is the error for a notice that the far side understood and will not
// take, such as one that is too large.
type Refused struct{ Err error }

func (r *Refused) Error() string { return "refused: " + r.Err.Error() }

// Unwrap returns the cause.
func (r *Refused) Unwrap() error { return r.Err }

// Busy is the error for a far side that said when to try again.
type Busy struct {
	Err   error
	After time.Duration // at least this long
}

func (b *Busy) Error() string { return fmt.Sprintf("%v; asked to wait %v", b.Err, b.After) }

// Unwrap returns the cause.
func (b *Busy) Unwrap() error { return b.Err }

// Quiet are hours of every day in which only urgent notices go out. The zero value has none.
type Quiet struct {
	// From and To are times of day since midnight by the wall clock of Location; From after To spans midnight.
	From, To time.Duration
	Location *time.Location // nil: UTC
	// Always is the lowest priority that goes out at any hour; the zero value means High.
	Always alerts.Priority
}

// threshold is the lowest priority that never waits.
func (q Quiet) threshold() alerts.Priority {
	return cmp.Or(q.Always, alerts.High)
}

// at reports whether the quiet hours hold at time t.
func (q Quiet) at(t time.Time) bool {
	if q.From == q.To {
		return false
	}
	if q.Location == nil {
		q.Location = time.UTC
	}
	h, m, s := t.In(q.Location).Clock()
	day := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
	if q.From < q.To {
		return day >= q.From && day < q.To
	}
	return day >= q.From || day < q.To
}
