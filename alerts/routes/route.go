package routes

import (
	"context"
	"fmt"
	"time"
)

// Proof is what the far side said when it took a notice, in one line: "HTTP 204",
// "PUBACK", "250 2.0.0 queued", "exit status 0". It is shown after a drill and never parsed.
type Proof string

// Route is one way to a person. Deliver may be called by several goroutines, and
// must return soon after ctx ends.
type Route interface {
	// Name is the route's name in the configuration; it is unique within an Outbox.
	Name() string
	// Deliver hands over the notice and returns once the far side has said that it
	// has it. A *Refused error says that the far side will never take this notice
	// while it may take others; any other error is tried again for as long as it takes.
	Deliver(ctx context.Context, n Notice) (Proof, error)
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
