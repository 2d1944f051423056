package push

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
)

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
		p.s.Log.Error("the cursors cannot be read; the newest runs are sent anew", "push", p.s.Name, "err", err)
	}
	saved := make(map[string]string)
	for line := range strings.Lines(string(text)) {
		cell, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		saved[cell] = rest
	}
	for _, q := range p.queues {
		rest, ok := saved[q.cell]
		delete(saved, q.cell)
		if ok {
			if err = q.restore(rest); err == nil {
				continue
			}
			p.s.Log.Warn("a cursor is of no use; a run is sent anew", "push", p.s.Name, "cell", q.cell, "err", err)
		}
		if q.at.Run == "" {
			if q.at, err = startOf(q.dir); err != nil {
				p.s.Log.Error("push", "push", p.s.Name, "cell", q.cell, "err", err)
			}
		}
	}
	for _, q := range p.queues {
		q.safe, q.recent = q.at, q.at
	}
	for cell, rest := range saved { // cells that are not sent now may come back
		if cell != "" {
			p.strange = append(p.strange, cell+" "+rest+"\n")
		}
	}
}

// restore takes up a cursor and its mark. When the log is another than it was, the
// cursor goes back to the beginning of its run.
func (q *queue) restore(text string) error {
	place, mark, _ := strings.Cut(text, " ")
	at, err := cursor.Parse(place)
	if err != nil {
		return err
	}
	if at.Run == "" {
		return errors.New("it is empty")
	}
	now, err := markAt(q.dir, at)
	if errors.Is(err, fs.ErrNotExist) { // the run was removed; the next one follows
		q.at = at
		return nil
	}
	if err == nil && now != mark {
		err = errors.New("the log was changed before it")
	}
	if err != nil {
		q.at = cursor.Cursor{Run: at.Run}
		return err
	}
	q.at = at
	return nil
}

// markAt is the checksum of the bytes before a cursor.
func markAt(dir string, at cursor.Cursor) (mark string, err error) {
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

// startOf is where a cell without a cursor begins: at the beginning of its newest run.
func startOf(cellDir string) (cursor.Cursor, error) {
	names, err := cursor.Runs(cellDir)
	if err != nil || len(names) == 0 {
		return cursor.Cursor{}, err
	}
	return cursor.Cursor{Run: names[len(names)-1]}, nil
}

// save writes one of each queue's cursors down, if any has moved.
func (p *Push) save(which func(*queue) cursor.Cursor) error {
	moved := false
	var b strings.Builder
	for _, q := range p.queues {
		at := which(q)
		if at.Run == "" {
			continue
		}
		if at != q.saved {
			mark, err := markAt(q.dir, at)
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("saving the cursors: %w", err)
			}
			q.saved, q.mark, moved = at, mark, true
		}
		fmt.Fprintf(&b, "%s %s %s\n", q.cell, at, q.mark)
	}
	if !moved {
		return nil
	}
	for _, line := range p.strange {
		b.WriteString(line)
	}
	err := os.MkdirAll(filepath.Dir(p.cursorPath()), 0o750)
	if err == nil {
		err = p.s.Save(p.cursorPath(), []byte(b.String()))
	}
	if err != nil {
		for _, q := range p.queues {
			q.saved = cursor.Cursor{} // try again
		}
		return fmt.Errorf("saving the cursors: %w", err)
	}
	return nil
}
