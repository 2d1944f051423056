package runlog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// NameLayout names a run's directory by the UTC of its beginning; the names sort by time.
const NameLayout = "20060102T150405Z"

// CellDir is the folder of a cell's runs below a data directory.
func CellDir(data, cell string) string { return filepath.Join(data, "runs", cell) }

// Create begins the log of a new run below dir, the data directory, and keeps
// frozen beside it as run.toml. A mistake in dir or its permissions is an error. A
// disk that is full, read-only or failing is not: the lines wait in memory and
// Health tells the cause, so look at it when somebody is there to mend it.
//
// The directory's name never sorts before that of an earlier run of the cell, even
// when the machine's clock has gone back.
func Create(dir, cell string, begin time.Time, frozen []byte, o Options) (*Writer, error) {
	w, err := newWriter(cell, o)
	if err != nil {
		return nil, err
	}
	if strings.ContainsAny(cell, `/\`) || cell == "." || cell == ".." {
		return nil, fmt.Errorf("the cell's name %q cannot name a directory; choose one without slashes", cell)
	}
	cellDir := CellDir(dir, cell)
	last, err := lastName(w.o.FS, cellDir)
	if err != nil && !DiskTrouble(err) {
		return nil, cannotBegin(dir, err)
	}
	w.runDir = filepath.Join(cellDir, nameAfter(last, begin))
	w.frozen = frozen
	if err := w.reopen(); err != nil {
		if !DiskTrouble(err) {
			for _, name := range []string{LogName, FrozenName, ""} { // leave no empty run behind
				_ = w.o.FS.Remove(filepath.Join(w.runDir, name))
			}
			return nil, cannotBegin(dir, err)
		}
		w.fail(err)
	}
	return w, nil
}

func cannotBegin(dir string, err error) error {
	return fmt.Errorf("beginning a run below %s: %w; use a data directory that nightcell may write to", dir, err)
}

func newWriter(cell string, o Options) (*Writer, error) {
	head, err := readingHead(cell)
	if err != nil {
		return nil, err
	}
	w := &Writer{o: o.filled(), cell: cell, head: head}
	w.syncedAt = w.o.Now()
	return w, nil
}

// DiskTrouble reports what a disk does by itself, as against a wrong path or permission.
func DiskTrouble(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) ||
		errors.Is(err, syscall.EIO) || errors.Is(err, syscall.EROFS)
}

// nameAfter names a run by its beginning, or by the second after the run called last where that is later.
func nameAfter(last string, begin time.Time) string {
	begin = begin.UTC().Truncate(time.Second)
	if at, err := Began(last); err == nil && !begin.After(at) {
		begin = at.Add(time.Second)
	}
	return begin.Format(NameLayout)
}

// lastName returns the newest run's name, and nothing when there is none.
func lastName(fsys FS, cellDir string) (string, error) {
	names, err := runs(fsys, cellDir)
	if err != nil || len(names) == 0 {
		return "", err
	}
	return names[len(names)-1], nil
}

// LatestRun returns the newest run of a cell below the data directory dir, and
// whether it has ended. fs.ErrNotExist is wrapped when the cell has none.
func LatestRun(dir, cell string) (runDir string, ended bool, err error) {
	cellDir := CellDir(dir, cell)
	name, err := lastName(Disk{}, cellDir)
	if err != nil {
		return "", false, err
	}
	if name == "" {
		return "", false, fmt.Errorf("cell %s has no run below %s: %w", cell, dir, fs.ErrNotExist)
	}
	runDir = filepath.Join(cellDir, name)
	t, err := TailOf(runDir)
	if errors.Is(err, fs.ErrNotExist) {
		return runDir, false, nil // the power went while it was being made
	}
	if err != nil {
		return runDir, false, err
	}
	return runDir, t.Ended, nil
}

// TailOf tells where the log of a run ends and changes nothing.
func TailOf(runDir string) (*Tail, error) { return tailOf(Disk{}, runDir) }

func tailOf(fsys FS, runDir string) (*Tail, error) {
	f, err := openLog(fsys, runDir)
	if err != nil {
		return nil, err
	}
	t, err := readTail(f, false)
	_ = f.Close() // nothing was written
	if err != nil {
		return nil, err
	}
	return t.told(runDir), nil
}

// endReach is how far before the end of a log its end is looked for: two checkpoints stand around it.
const endReach = 512 << 10

// EndOf says how a run ended, in the words of its log; empty where it goes on or the log does not tell.
func EndOf(runDir string) (why string, err error) {
	info, err := os.Stat(filepath.Join(runDir, LogName))
	if err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	err = Scan(runDir, info.Size()-endReach, func(r *Record, _ *Reader) bool {
		if r.Kind == KindEntry && r.Text("kind") == EntryEnd {
			why = r.Text("text")
		}
		return true
	})
	return why, err
}

// Cursor is a place in the logs of one cell: behind the first Offset bytes of a
// run. The zero Cursor stands before everything.
type Cursor struct {
	Run    string // the name of the run's folder
	Offset int64
}

// String is the inverse of ParseCursor.
func (c Cursor) String() string {
	if c == (Cursor{}) {
		return ""
	}
	return c.Run + "/" + strconv.FormatInt(c.Offset, 10)
}

// ParseCursor reads a cursor that String wrote.
func ParseCursor(s string) (Cursor, error) {
	if s == "" {
		return Cursor{}, nil
	}
	run, number, ok := strings.Cut(s, "/")
	offset, err := strconv.ParseInt(number, 10, 64)
	if _, nameErr := Began(run); !ok || err != nil || nameErr != nil || offset < 0 {
		return Cursor{}, fmt.Errorf("%q is not a cursor: give a run and an offset, such as 20260301T211500Z/4096", s)
	}
	return Cursor{run, offset}, nil
}

// Began tells the beginning of a run from the path or name of its folder.
func Began(run string) (time.Time, error) {
	t, err := time.Parse(NameLayout, filepath.Base(run))
	if err != nil {
		return t, fmt.Errorf("%s is not named by the start of a run: %w", run, err)
	}
	return t, nil
}

// Runs lists the names of the runs in a cell's folder, oldest first. A cell without any is no error.
func Runs(cellDir string) ([]string, error) { return runs(Disk{}, cellDir) }

func runs(fsys FS, cellDir string) ([]string, error) {
	entries, err := fsys.ReadDir(cellDir) // sorted by name, and so by time
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("looking for runs: %w", err)
	}
	var names []string
	for _, e := range entries {
		if _, err := Began(e.Name()); err == nil && e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// CursorAtEnd is the cursor behind everything that a cell's logs hold now.
func CursorAtEnd(cellDir string) (Cursor, error) {
	names, err := Runs(cellDir)
	if err != nil || len(names) == 0 {
		return Cursor{}, err
	}
	last := names[len(names)-1]
	info, err := os.Stat(filepath.Join(cellDir, last, LogName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Cursor{Run: last}, nil
	case err != nil:
		return Cursor{}, fmt.Errorf("measuring the log: %w", err)
	}
	return Cursor{last, info.Size()}, nil
}
