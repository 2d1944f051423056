// Package line carries bytes to and from one instrument, over a serial port or a
// raw TCP socket, one exchange at a time.
//
// It knows nothing of what the bytes mean. What it promises is that nothing it
// waits for can last for ever: every exchange, write and close has a limit. A
// line that broke is dead for good; opening it anew is the caller's matter.
package line

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"nightcell/drivers"
)

const (
	maxAnswer = 4096                   // bytes; no answer of a supply is longer
	maxQuery  = 1024                   // bytes
	slice     = 50 * time.Millisecond  // how soon a read that nobody can end notices that its caller has gone
	grace     = 500 * time.Millisecond // beyond its limit, before a job is taken for stuck
	maxDrain  = 2 * time.Second        // a babbling line is never quiet
)

// Incomplete says that no terminator came in time. Got is what did come.
type Incomplete struct{ Got string }

func (e *Incomplete) Error() string {
	if e.Got == "" {
		return "no answer in time"
	}
	return fmt.Sprintf("only %q came, without its terminator", e.Got)
}

// Stray says that bytes came which belong to no open query, so that no answer on
// this line can be trusted until it has been drained.
type Stray struct{ Got string }

func (e *Stray) Error() string { return fmt.Sprintf("bytes nobody asked for: %q", e.Got) }

// ErrClosed is returned by everything but Close after Close. It wraps drivers.ErrGone.
var ErrClosed = fmt.Errorf("closed: %w", drivers.ErrGone)

// Line is one open line, or the way to one of several units on it. Its methods may be called from several goroutines; they
// take turns, those of all units.
type Line struct {
	*wire
	unit Settings    // of this unit alone
	left atomic.Bool // it has been closed
}

// wire is what the units on a line share.
type wire struct {
	settings Settings
	users    atomic.Int32 // ways to it that are not closed
	port     port         // touched by the owner alone, save for its methods unstick and, between jobs, others
	jobs     chan job
	results  chan result   // holds one, so that the owner never waits for a caller who gave up
	quit     chan struct{} // closed by Close and by whoever finds the line dead
	ended    chan struct{} // closed when the owner has given the port back
	dead     atomic.Bool
	answers  atomic.Uint64 // how many have come
	abandon  atomic.Bool   // the caller no longer wants the running job; set by leave
	endRead  func()        // makes the port look at abandon
	longest  time.Duration // of a read
	quitOnce sync.Once

	turn       chan struct{} // holds one, whose job runs; guards timer and, between jobs, tx and rx
	timer      *time.Timer
	terminator []byte // of answers
	tx         [maxQuery]byte
	rx         [maxAnswer]byte
	fill       int // bytes in rx; owner's

	closeErr error // written before ended is closed
}

// Open opens the line and locks its device, so that no second process can share
// the supply. It changes nothing on the instrument. The error says what is wrong
// with the port and how to mend it; ctx bounds a TCP connect.
func Open(ctx context.Context, s Settings) (*Line, error) {
	s = s.withDefaults()
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("open line %q: %w", s.Address, err)
	}
	p, err := openPort(ctx, s)
	if err != nil {
		return nil, fmt.Errorf("open line %q: %w", s.Address, err)
	}
	return newLine(s, spoken(s, p)), nil
}

// Beside returns the way to another unit of Modbus on the same line. It is nil where the line was lost or is closed, by then with its port
// given back unless the system holds it. The error says that the line is open with other settings.
func (l *Line) Beside(s Settings) (*Line, error) {
	s = s.withDefaults()
	same := s
	same.Unit, same.Patience = l.settings.Unit, l.settings.Patience
	for n := l.users.Load(); n > 0 && !l.dead.Load(); n = l.users.Load() {
		if s.Modbus == "" || same != l.settings {
			return nil, fmt.Errorf("open line %q: it is open for another unit with other settings; give all units on a line the same protocol, baud rate and framing", s.Address)
		}
		if l.users.CompareAndSwap(n, n+1) {
			return &Line{wire: l.wire, unit: s}, nil
		}
	}
	select { // ends with the time at the latest
	case <-l.ended:
	case <-time.After(grace):
	}
	return nil, nil
}

// Shared says whether other units are asked on the line too.
func (l *Line) Shared() bool { return l.users.Load() > 1 }

// Answers counts what has come from all units on the line.
func (l *Line) Answers() uint64 { return l.answers.Load() }

// Break makes the line lost to all units on it, so that whoever comes next opens it anew.
func (l *Line) Break() { l.condemn() }

// New makes a line of a connection that is already open and that nobody else
// uses, such as one end of a net.Pipe. Nothing is locked, and no time is allowed
// for characters on a wire. Close closes the connection.
func New(conn net.Conn, s Settings) *Line {
	s.Address = tcpScheme + conn.RemoteAddr().String()
	s = s.withDefaults()
	return newLine(s, spoken(s, newSocket(conn, nil)))
}

// newLine starts the owner of an open port.
func newLine(s Settings, p port) *Line {
	l := &Line{unit: s, wire: &wire{
		settings: s, port: p,
		turn: make(chan struct{}, 1), jobs: make(chan job), results: make(chan result, 1),
		quit: make(chan struct{}), ended: make(chan struct{}),
		timer: time.NewTimer(time.Hour), terminator: []byte(s.ReplyTerminator),
		endRead: func() {}, longest: slice,
	}}
	l.users.Store(1)
	if p, ok := unrecorded(p).(interface {
		heed(gone *atomic.Bool)
		endRead()
	}); ok {
		p.heed(&l.abandon)
		l.endRead, l.longest = p.endRead, time.Hour
	}
	go l.own()
	return l
}

// Exchange sends query, to which it adds the terminator, and waits for one line
// in answer. The answer, without its terminator, is put into reply, which grows if
// need be. timeout is the longest wait for the answer; the time that the
// characters themselves take at the line's rate is added to it. sent is the
// instant before the first byte went out, received the instant after the
// terminator came in, or the last byte where silence ends an answer.
//
// The error is *Incomplete when no whole line came, *Stray when bytes were there
// before the query or came after the answer, and else wraps drivers.ErrGone or ctx.Err().
func (l *Line) Exchange(ctx context.Context, query, reply []byte, timeout time.Duration) (answer []byte, sent, received time.Time, err error) {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	n, err := l.load(query)
	if err != nil {
		return reply[:0], sent, received, err
	}
	wire := l.settings.Duration(n+typicalAnswer) + l.settings.Silence
	r := l.run(ctx, job{kind: exchange, n: n, wait: timeout + wire})
	return append(reply[:0], l.rx[:r.n]...), r.sent, r.received, r.err
}

// Next waits for one more line without sending anything. Errors as Exchange, but never *Stray.
func (l *Line) Next(ctx context.Context, reply []byte, timeout time.Duration) ([]byte, error) {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	r := l.run(ctx, job{kind: next, wait: timeout + l.settings.Duration(typicalAnswer) + l.settings.Silence})
	return append(reply[:0], l.rx[:r.n]...), r.err
}

// Send sends msg and its terminator and expects no answer.
func (l *Line) Send(ctx context.Context, msg []byte) error {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	n, err := l.load(msg)
	if err != nil {
		return err
	}
	return l.run(ctx, job{kind: send, n: n}).err
}

// Drain reads and drops whatever comes until the line has been quiet for quiet,
// or for two seconds if it never is. It returns the end of what it dropped, at most 256 bytes.
func (l *Line) Drain(quiet time.Duration) []byte {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	r := l.run(context.Background(), job{kind: drain, wait: quiet})
	return bytes.Clone(l.rx[:r.n])
}

// Close gives the port back, if no other unit is asked on it or it was lost. It returns within Settings.CloseLimit whatever the
// kernel does; the error then says that the port is still held. A second Close waits again.
func (l *Line) Close() error {
	if !l.left.Swap(true) {
		l.users.Add(-1)
	}
	if l.users.Load() > 0 && !l.dead.Load() {
		return nil
	}
	l.condemn()
	limit := time.NewTimer(l.settings.CloseLimit)
	defer limit.Stop()
	stuck := time.NewTimer(l.settings.CloseLimit / 2)
	defer stuck.Stop()
	for {
		select { // ends at the latest with limit
		case <-l.ended:
			return l.closeErr
		case <-stuck.C:
			l.port.unstick()
		case <-limit.C:
			return fmt.Errorf("close line %q: the system has not let go of the port after %v; it is given back when the driver lets go, or unplug the adapter", l.settings.Address, l.settings.CloseLimit)
		}
	}
}

// load puts msg and the terminator into the transmit buffer.
func (l *Line) load(msg []byte) (int, error) {
	t := l.settings.Terminator
	if len(msg)+len(t) > maxQuery {
		return 0, fmt.Errorf("a message of %d bytes is too long for the line; at most %d", len(msg), maxQuery-len(t))
	}
	if l.dead.Load() || l.left.Load() {
		return 0, ErrClosed // the owner may still be reading the buffer
	}
	return copy(l.tx[copy(l.tx[:], msg):], t) + len(msg), nil
}

// run hands a job to the owner and waits for its end. A job that outlasts its
// limit is freed by force; if even that does not help, the line is dead and the
// owner is left to give the port back whenever the kernel lets it.
func (l *Line) run(ctx context.Context, j job) result {
	if l.dead.Load() || l.left.Load() {
		return result{err: ErrClosed}
	}
	if err := ctx.Err(); err != nil {
		return result{err: err}
	}
	l.abandon.Store(false)
	if l.dead.Load() { // Close came between, and its wish must not be undone
		l.abandon.Store(true)
		return result{err: ErrClosed}
	}
	j.unit, j.limit = byte(l.unit.Unit), l.unit.writeLimit(j.n)
	if j.kind == drain {
		j.limit = maxDrain + l.unit.Patience
	}
	l.timer.Reset(j.wait + j.limit + grace)
	defer l.timer.Stop()
	select { // the owner is idle, or has ended
	case l.jobs <- j:
	case <-l.quit:
		return result{err: ErrClosed}
	}
	return l.await(ctx)
}

// await waits for the running job's end, and sees to it that there is one.
func (l *wire) await(ctx context.Context) result {
	done := ctx.Done()
	freed := false
	for {
		select { // ends by the timer at the latest
		case r := <-l.results:
			if freed { // by throwing away what was to be sent
				l.condemn()
				return l.stuck()
			}
			r.err = l.shared(r.err) // here, because a search through many processes lasts and is no reason to take the job for stuck
			if errors.Is(r.err, errAbandoned) {
				r.err = ErrClosed
				if err := ctx.Err(); err != nil {
					r.err = err
				}
			}
			if r.n > 0 {
				l.answers.Add(1)
			}
			if r.err != nil && errors.Is(r.err, drivers.ErrGone) {
				l.condemn()
			}
			return r
		case <-done:
			l.leave()
			done = nil
		case <-l.timer.C:
			if freed {
				l.condemn()
				return l.stuck()
			}
			freed = true
			l.leave()
			l.port.unstick()
			l.timer.Reset(grace)
		}
	}
}

// leave tells the owner that nobody wants the running job any more.
func (l *wire) leave() {
	l.abandon.Store(true)
	l.endRead()
}

// condemn lets the owner give the port back and nobody use the line again.
func (l *wire) condemn() {
	l.dead.Store(true)
	l.leave()
	l.quitOnce.Do(func() { close(l.quit) })
}

func (l *wire) stuck() result {
	return result{err: fmt.Errorf("line %q: the system took no bytes and had to be freed by force: %w", l.settings.Address, drivers.ErrGone)}
}
