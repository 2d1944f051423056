package recording

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// behind is how many events may wait for the disk; a poll makes two or three.
const behind = 4096

// Recorder writes a recording as it happens. It never keeps a line waiting: a disk that fails or does not keep up ends the recording
// alone. The methods may be called from several goroutines.
type Recorder struct {
	begun  time.Time
	mu     sync.Mutex
	ports  []string // addresses, in the order of their numbers
	events chan Event
	over   atomic.Bool // no more is taken
	failed atomic.Bool // and the reason has been told
	quit   chan struct{}
	ended  chan struct{}
	once   sync.Once
	told   func(error)
	tells  sync.WaitGroup // while told runs
}

// Create begins a recording in a new file, which the user alone may read. told, if not nil, is called once, from another goroutine, if the
// recording is not whole.
func Create(path string, told func(error)) (*Recorder, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s exists and is not overwritten; choose another name for the recording", path)
	} else if err != nil {
		return nil, fmt.Errorf("beginning the recording: %w", err)
	}
	return newRecorder(f, told), nil
}

func newRecorder(to io.WriteCloser, told func(error)) *Recorder {
	r := &Recorder{begun: time.Now(), events: make(chan Event, behind), quit: make(chan struct{}), ended: make(chan struct{}), told: told}
	go r.write(to)
	return r
}

// Port is one line in a recording. The nil Port records nothing.
type Port struct {
	r      *Recorder
	number int
}

// Open notes that a line was opened, with its address and settings. An address keeps its number. A nil Recorder gives a nil Port.
func (r *Recorder) Open(address, settings string) *Port {
	if r == nil {
		return nil
	}
	r.mu.Lock()
	number := slices.Index(r.ports, address) + 1
	if number == 0 {
		r.ports = append(r.ports, address)
		number = len(r.ports)
	}
	r.mu.Unlock()
	p := &Port{r, number}
	p.Note(Opened, []byte(address+", "+settings))
	return p
}

// Note keeps what was sent or has come. It copies b and returns at once.
func (p *Port) Note(kind Kind, b []byte) {
	if p == nil || len(b) == 0 || p.r.over.Load() {
		return
	}
	select {
	case p.r.events <- Event{time.Since(p.r.begun), p.number, kind, string(b)}:
	default:
		p.r.end(errors.New("the disk does not keep up"))
	}
}

// end ends the recording and says why, once.
func (r *Recorder) end(err error) {
	if r.over.Store(true); err != nil && !r.failed.Swap(true) && r.told != nil {
		r.tells.Go(func() { r.told(fmt.Errorf("the recording ends here, and nothing else does: %w", err)) }) // whoever is told must not hold up a line
	}
}

// write is the only goroutine that touches the file. It flushes whenever nothing waits.
func (r *Recorder) write(to io.WriteCloser) {
	defer close(r.ended)
	out := bufio.NewWriter(to)
	_, err := out.WriteString(head(r.begun))
	var line []byte
	last := time.Duration(0)
	put := func(e Event) {
		if err == nil {
			e.At = max(e.At, last) // two lines may have been noted in the other order
			last = e.At
			line = e.append(line[:0])
			if _, err = out.Write(line); err == nil && len(r.events) == 0 {
				err = out.Flush()
			}
			if err != nil {
				r.end(err)
			}
		}
	}
	for {
		select {
		case e := <-r.events:
			put(e)
			continue
		case <-r.quit:
		}
		for len(r.events) > 0 {
			put(<-r.events)
		}
		r.end(errors.Join(out.Flush(), to.Close()))
		return
	}
}

// Close ends the recording and waits for the disk, two seconds at most, and until told has returned. It reports whether the recording is
// whole. A nil Recorder is closed.
func (r *Recorder) Close() (whole bool) {
	if r == nil {
		return true
	}
	r.over.Store(true)
	r.once.Do(func() { close(r.quit) })
	limit := time.NewTimer(2 * time.Second)
	defer limit.Stop()
	select {
	case <-r.ended:
	case <-limit.C:
		r.end(errors.New("the disk does not take the rest"))
	}
	r.tells.Wait()
	return !r.failed.Load()
}
