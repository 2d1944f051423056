package push

import (
	"cmp"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"

	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

// queue is one cell's logs as the database has yet to get them. Others than the goroutine
// of Run look at shown alone.
type queue struct {
	cell string
	dir  string        // of the cell's runs
	at   runlog.Cursor // behind what the database has acknowledged
	// recent and safe are where it stood less and more than settleTime ago.
	recent, safe runlog.Cursor

	// What the present parcel has of it:
	next         end   // the place behind that
	lines, aside int   // how many lines, and those among them that the database will never take
	first        int64 // time stamp of the first; 0: there is none

	health routes.Health // but for the lag
	oldest int64         // time stamp of the first line that is not acknowledged, 0: none
	unread bool          // the log could not be read at the last look
	shown  atomic.Pointer[shown]
}

// shown is how a queue stands.
type shown struct {
	routes.Health
	oldest int64
}

// take puts the next lines of a cell into the parcel, at most so many. A run that
// is through leads on to the next one.
func (p *Push) take(q *queue, most int) error {
	for to := &q.next; ; {
		names, err := runlog.Runs(q.dir) // before reading: once there is a later run, nothing more comes to this one, though it may end in half a line
		if err != nil {
			return err
		}
		if to.at.Run != "" {
			if err := p.read(q, most); err != nil {
				return err
			}
			if q.lines >= most || len(p.parcel.text) >= mostBytes {
				return nil
			}
		}
		next := slices.IndexFunc(names, func(n string) bool { return n > to.at.Run })
		if next < 0 {
			return nil
		}
		to.at = runlog.Cursor{Run: names[next]}
	}
}

// read takes whole lines from a run and moves to behind them. Checkpoints are
// nightcell's own memory and not sent; what is no line at all, such as the zeros
// that a power cut leaves, is set aside here and stays in the log.
func (p *Push) read(q *queue, most int) (err error) {
	to := &q.next
	run := filepath.Join(q.dir, to.at.Run)
	info, err := os.Stat(filepath.Join(run, runlog.LogName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("measuring the log: %w", err)
	case info.Size() < to.at.Offset: // a power cut took what was sent; what replaces it is other
		p.s.Log.Warn("the log is shorter than what was sent; sending the run again", "push", p.s.Name, "cell", q.cell, "run", to.at.Run)
		to.at.Offset = 0
	}
	start := to.at.Offset
	if info.Size() > start {
		if err := p.pick(q, run, most); err != nil {
			return err
		}
	}
	to.behind = max(0, info.Size()-to.at.Offset)
	q.oldest, q.health.WaitingBytes = cmp.Or(q.oldest, q.first), info.Size()-start
	return nil
}

// pick puts whole lines of a run into the parcel, until it has so many of the cell.
func (p *Push) pick(q *queue, run string, most int) (err error) {
	to := &q.next
	r, err := runlog.Open(run)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	if err := r.Resume(to.at.Offset); err != nil {
		return err
	}
	for ; q.lines < most && len(p.parcel.text) < mostBytes; to.at.Offset = r.Offset() {
		err := r.Next(&p.record)
		var damage *runlog.Damage
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case errors.As(err, &damage):
			to.damaged++
			to.why = err
			continue
		case err != nil:
			return err
		case p.record.Kind == runlog.KindCheckpoint:
			continue
		}
		line := r.Line()
		if p.s.NumbersOnly {
			if line = p.record.Numbers(); line == nil {
				continue
			}
		}
		p.parcel.add(q, line, p.tags, p.record.Nanos)
	}
	return nil
}

// markBytes is how much of the log before a cursor is remembered by its CRC-32C.
// Time stamps make it unique, so that a log which lost its end in a power cut and
// has grown again is noticed.
const markBytes = 64

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// cursorPath is where the cursors are kept: a line for each cell with its name, its
// cursor and the mark.
func (p *Push) cursorPath() string { return filepath.Join(p.s.Data, "push", p.s.Name+".cursors") }

// restore puts every cell's cursor where it stood. A cell without one begins at the
// beginning of its newest run, and so does one whose cursor cannot be read or no
// longer fits its log: what is sent again overwrites itself.
func (p *Push) restore() {
	text, err := os.ReadFile(p.cursorPath())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		p.s.Log.Error("the cursors cannot be read; sending the newest runs again", "push", p.s.Name, "err", err)
	}
	p.strange = make(map[string]string)
	for line := range strings.Lines(string(text)) {
		cell, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		p.strange[cell] = rest
	}
	for _, q := range p.queues {
		rest, ok := p.strange[q.cell]
		delete(p.strange, q.cell)
		if ok {
			if err := q.restore(rest); err != nil {
				p.s.Log.Warn("a cursor is invalid; sending its run again", "push", p.s.Name, "cell", q.cell, "err", err)
			}
		}
		if q.at.Run == "" {
			if q.at, err = runlog.CursorAtEnd(q.dir); err != nil {
				p.s.Log.Error("push", "push", p.s.Name, "cell", q.cell, "err", err)
			}
			q.at.Offset = 0
		}
		q.safe, q.recent = q.at, q.at
	}
}

// restore takes up a cursor and its mark. When the log is another than it was, the
// cursor goes back to the beginning of its run.
func (q *queue) restore(text string) error {
	place, mark, _ := strings.Cut(text, " ")
	at, err := runlog.ParseCursor(place)
	if err != nil {
		return err
	}
	if at.Run == "" {
		return errors.New("it is empty")
	}
	q.at = at
	now, err := markAt(q.dir, at)
	if errors.Is(err, fs.ErrNotExist) { // the run was removed; the next one follows
		return nil
	}
	if err == nil && now != mark {
		err = errors.New("the log was changed before it")
	}
	if err != nil {
		q.at.Offset = 0
	}
	return err
}

// markAt is the checksum of the bytes before a cursor.
func markAt(dir string, at runlog.Cursor) (mark string, err error) {
	f, err := os.Open(filepath.Join(dir, at.Run, runlog.LogName))
	if err != nil {
		return "", fmt.Errorf("opening the log: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	n := min(at.Offset, markBytes)
	b := make([]byte, n)
	if _, err := io.ReadFull(io.NewSectionReader(f, at.Offset-n, n), b); err != nil {
		return "", fmt.Errorf("reading the log before byte %d: %w", at.Offset, err)
	}
	return strconv.FormatUint(uint64(crc32.Checksum(b, castagnoli)), 16), nil
}

// save writes one of each queue's cursors down, with the checksum of the bytes before it, if any has moved.
func (p *Push) save(which func(*queue) runlog.Cursor) error {
	var b strings.Builder
	for _, q := range p.queues {
		at := which(q)
		if at.Run == "" {
			continue
		}
		mark, _ := markAt(q.dir, at) // what cannot be read now fits no mark later, and is sent again
		fmt.Fprintf(&b, "%s %s %s\n", q.cell, at, mark)
	}
	for _, cell := range slices.Sorted(maps.Keys(p.strange)) {
		fmt.Fprintf(&b, "%s %s\n", cell, p.strange[cell])
	}
	if b.String() == p.saved {
		return nil
	}
	err := os.MkdirAll(filepath.Dir(p.cursorPath()), 0o750)
	if err == nil {
		err = p.s.Save(p.cursorPath(), []byte(b.String()))
	}
	if err != nil {
		return fmt.Errorf("saving the cursors: %w", err)
	}
	p.saved = b.String()
	return nil
}
