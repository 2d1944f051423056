package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// nameLayout names a run's directory by the UTC of its beginning; the names sort by time.
const nameLayout = "20060102T150405Z"

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
	cellDir := filepath.Join(dir, "runs", cell)
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
	if at, err := time.Parse(nameLayout, last); err == nil && !begin.After(at) {
		begin = at.Add(time.Second)
	}
	return begin.Format(nameLayout)
}

// lastName returns the newest run's name, and nothing when there is none.
func lastName(fsys FS, cellDir string) (string, error) {
	entries, err := fsys.ReadDir(cellDir) // sorted by name
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return "", nil
		}
		return "", fmt.Errorf("looking for runs: %w", err)
	}
	for _, e := range slices.Backward(entries) {
		if _, err := time.Parse(nameLayout, e.Name()); err == nil && e.IsDir() {
			return e.Name(), nil
		}
	}
	return "", nil
}

// LatestRun returns the newest run of a cell below the data directory dir, and
// whether it has ended. fs.ErrNotExist is wrapped when the cell has none.
func LatestRun(dir, cell string) (runDir string, ended bool, err error) {
	cellDir := filepath.Join(dir, "runs", cell)
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
const endReach = 1 << 20

// EndOf says how a run ended, in the words of its log; empty where it goes on or the log does not tell.
func EndOf(runDir string) (why string, err error) {
	f, err := openLog(Disk{}, runDir)
	if err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	defer f.Close()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	err = backwards(f, size, func(at int64, line []byte) bool {
		var r Record
		if bytes.HasPrefix(line, []byte(string(KindEntry)+",")) && new(decoder).general(line, &r) == nil && r.Text("kind") == EntryEnd {
			why = r.Text("text")
			return false
		}
		return size-at < endReach
	})
	return why, err
}
