// Package push sends the lines of the run logs to a database that takes InfluxDB
// line protocol over HTTP. The log is the queue: a cursor for each cell says what
// the database has acknowledged, so an outage of hours is caught up with and
// nothing is lost.
//
// Databases acknowledge lines some seconds before they are durable. When requests
// begin to fail, and after nightcell was killed, sending goes back by half a minute at
// most. What is sent twice overwrites itself, because no two lines of a log share
// a time stamp; a database that keeps both must be told to drop duplicates.
package push

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/runlog"
)

const (
	firstWait   = time.Second      // after the first failed request
	longestWait = 2 * time.Minute  // between two attempts during an outage
	lastWait    = 3 * time.Second  // for one more attempt when nightcell stops
	settleTime  = 15 * time.Second // in which a database makes durable what it has acknowledged
	mostBytes   = 1 << 20          // of lines in one request
)

// Settings describe one database and what it is sent.
type Settings struct {
	configs.Push        // of Cells all are named
	URL          string // of the write endpoint, query and all; see Endpoint. It is never shown, as it may hold a secret.
	// Authorization returns the header of that name, empty for none. It is asked
	// before each request, so that a mended token file needs no restart. nil: none.
	Authorization func() (string, error)
	Client        *http.Client // with a time-out
	Data          string       // the data directory
	// Save replaces a small file durably.
	Save func(path string, data []byte) error
	Log  *slog.Logger
}

// Push sends the logs of its cells to one database, from one goroutine.
type Push struct {
	s      Settings
	tags   []byte // as they stand in a line, each behind a comma
	queues []*queue

	parcel  parcel
	record  runlog.Record     // for reading logs
	most    int               // lines in one request, less than Settings.Batch once the database found one too large
	failing bool              // the newest request has failed
	settled time.Time         // when the cursors were last moved up and saved
	strange map[string]string // cursors and marks of cells that are not sent now and may come back
	saved   string            // the cursor file, once it was written
	told    string            // the newest problem that was logged
}

// New checks the settings; nothing is read or sent.
func New(s Settings) (*Push, error) {
	if u, err := url.Parse(s.URL); err != nil || u.Host == "" {
		return nil, fmt.Errorf("push %s: the address is not a server's URL; write one such as http://127.0.0.1:8086", s.Name)
	}
	client := *s.Client
	// Followed, a redirect would turn the lines into a mere question for a page that answers "OK".
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	s.Client = &client
	p := &Push{s: s, most: s.Batch}
	for _, k := range slices.Sorted(maps.Keys(s.Tags)) {
		if k == "" || s.Tags[k] == "" {
			return nil, fmt.Errorf("push %s: the tag %q=%q is empty; line protocol has no empty tags", s.Name, k, s.Tags[k])
		}
		if k == "cell" || k == "condition" {
			return nil, fmt.Errorf("push %s: the lines have a tag %q already; choose another name", s.Name, k)
		}
		p.tags = fmt.Appendf(p.tags, ",%s=%s", tagEscaper.Replace(k), tagEscaper.Replace(s.Tags[k]))
	}
	for _, c := range s.Cells {
		p.queues = append(p.queues, &queue{cell: c, dir: runlog.CellDir(s.Data, c), health: routes.Health{Name: s.Name}})
	}
	p.show()
	return p, nil
}

var tagEscaper = strings.NewReplacer(",", `\,`, "=", `\=`, " ", `\ `, "\n", " ", "\\", "/")

// Name returns the push's name in the configuration.
func (p *Push) Name() string { return p.s.Name }

// Run sends until ctx ends, then tries once more for a few seconds, so that the last
// lines of a run arrive. The error says that the cursors could not be saved.
func (p *Push) Run(ctx context.Context) error {
	defer p.s.Client.CloseIdleConnections()
	p.restore()
	p.settled = time.Now()
	var backOff time.Duration
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select { // ends with ctx; the timer always comes
		case <-ctx.Done():
			return p.finish(ctx)
		case <-timer.C:
		}
		more, err := p.round(ctx)
		wait := p.s.Every
		switch {
		case ctx.Err() != nil:
			continue
		case err != nil: // exponential back-off with jitter, so that many daemons do not return in step
			backOff = min(max(2*backOff, firstWait), longestWait)
			wait = backOff/2 + rand.N(backOff/2)
		default:
			if backOff = 0; more {
				wait = 0
			}
		}
		timer.Reset(wait)
	}
}

// finish sends what is left, if the database takes it at once, and saves the cursors.
func (p *Push) finish(ctx context.Context) error {
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastWait)
	defer cancel()
	for {
		if more, err := p.round(last); err != nil || !more {
			break
		}
	}
	if err := p.save(func(q *queue) runlog.Cursor { return q.at }); err != nil {
		return fmt.Errorf("push %s: %w; some lines will be sent again", p.s.Name, err)
	}
	return nil
}

// round sends one request with the next lines of all cells, and says whether more
// wait. The error is the database's; trouble with one log or with saving is told and
// leaves the others going.
func (p *Push) round(ctx context.Context) (more bool, err error) {
	defer p.show()
	more = p.gather()
	p.show() // the request may take long
	if len(p.parcel.lines) > 0 {
		err := p.deliver(ctx)
		if err != nil && ctx.Err() != nil {
			return false, err // cut short by us
		}
		p.tell(err)
		for _, q := range p.queues {
			if q.next.at != q.at {
				q.note(err)
			}
		}
		if err != nil {
			p.stepBack(err)
			return false, err
		}
		p.failing = false
	}
	for _, q := range p.queues {
		to := q.next
		if to.at == q.at {
			continue
		}
		more = more || to.behind > 0 || to.at.Run != q.at.Run
		if to.damaged > 0 {
			p.s.Log.Error("a line that is not line protocol is not sent; it stays in the log",
				"push", p.s.Name, "cell", q.cell, "run", to.at.Run, "pieces", to.damaged, "last", to.why)
		}
		q.at, q.oldest, q.health.WaitingBytes = to.at, 0, to.behind
		q.health.SetAside += uint64(to.damaged)
	}
	if time.Since(p.settled) >= settleTime {
		p.settle()
	}
	return more, nil
}

// settle moves up what counts as durable with the database, and saves that: the
// cursors of one to two settle times ago. A crash of both at once leaves no hole then.
func (p *Push) settle() {
	p.settled = time.Now()
	for _, q := range p.queues {
		q.safe, q.recent = q.recent, q.at
	}
	if err := p.save(func(q *queue) runlog.Cursor { return q.safe }); err != nil {
		p.s.Log.Error("push", "push", p.s.Name, "err", err)
	}
}

// stepBack goes back to what is durable when requests begin to fail: a database that
// crashed may have lost what it acknowledged last.
func (p *Push) stepBack(err error) {
	var refused *refusalError
	if p.failing || errors.As(err, &refused) {
		return
	}
	p.failing = true
	for _, q := range p.queues {
		q.at, q.recent = q.safe, q.safe
	}
}

// gather fills the parcel with the next lines, giving every cell its share, and says
// whether there was no room for some cells.
func (p *Push) gather() (full bool) {
	p.parcel.text, p.parcel.lines = p.parcel.text[:0], p.parcel.lines[:0]
	for _, q := range p.queues {
		q.next, q.lines, q.aside, q.first = end{at: q.at, behind: q.next.behind}, 0, 0, 0
	}
	// Whoever owes least comes first, so that what it does not need is left for those who are behind.
	order := slices.SortedStableFunc(slices.Values(p.queues), func(a, b *queue) int { return cmp.Compare(a.next.behind, b.next.behind) })
	for i, q := range order {
		if len(p.parcel.lines) >= p.most || len(p.parcel.text) >= mostBytes {
			return true
		}
		err := p.take(q, max(1, (p.most-len(p.parcel.lines))/(len(order)-i)))
		if err != nil {
			q.next = end{at: q.at, behind: q.next.behind} // what it has put in already comes again
		}
		if q.looked(err) {
			p.s.Log.Error("push", "push", p.s.Name, "cell", q.cell, "err", err)
		}
	}
	return false
}

// tell logs a problem when it begins, changes or ends.
func (p *Push) tell(err error) {
	now := ""
	if err != nil {
		now = err.Error()
	}
	if now == p.told {
		return
	}
	if err != nil {
		p.s.Log.Warn("push", "push", p.s.Name, "err", err)
	} else {
		p.s.Log.Info("push delivers again", "push", p.s.Name)
	}
	p.told = now
}

// Health returns how a cell's lines are getting on; false when its log is not sent.
// The lag is the age of the oldest line that is known and not yet acknowledged.
func (p *Push) Health(cell string) (routes.Health, bool) {
	for _, q := range p.queues {
		if q.cell != cell {
			continue
		}
		seen := q.shown.Load()
		h := seen.Health
		if seen.oldest != 0 {
			h.Lag = max(0, time.Since(time.Unix(0, seen.oldest)))
		}
		return h, true
	}
	return routes.Health{}, false
}

// show lets Health see how the queues stand.
func (p *Push) show() {
	for _, q := range p.queues {
		q.shown.Store(&shown{q.health, q.oldest})
	}
}

// note takes down how a request with lines of this cell went.
func (q *queue) note(err error) {
	if err != nil {
		q.health.Failed++
		q.health.Problem = err.Error()
		return
	}
	q.health.Delivered += uint64(q.lines - q.aside)
	q.health.SetAside += uint64(q.aside)
	q.health.Problem = ""
}

// looked takes down whether the log could be read, and says whether a failure is news.
func (q *queue) looked(err error) (news bool) {
	switch {
	case err == nil && q.unread:
		q.unread, q.health.Problem = false, ""
	case err != nil:
		news = !q.unread
		q.unread, q.health.Problem = true, err.Error()
		q.health.Failed++
	}
	return news
}
