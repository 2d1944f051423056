// Package cursor marks places in the run logs of a cell, for those who read them as
// a queue: notices, pushes, histories. A cursor survives restarts because a log only grows.
package cursor

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"nightcell/daemon/runlog"
)

// nameLayout is how a run's folder is named by its beginning.
const nameLayout = "20060102T150405Z"

// Cursor is a place in the logs of one cell: behind the first Offset bytes of a
// run. The zero Cursor stands before everything.
type Cursor struct {
	Run    string // the name of the run's folder
	Offset int64
}

// String is the inverse of Parse.
func (c Cursor) String() string {
	if c == (Cursor{}) {
		return ""
	}
	return c.Run + "/" + strconv.FormatInt(c.Offset, 10)
}

// Parse reads a cursor that String wrote.
func Parse(s string) (Cursor, error) {
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
	t, err := time.Parse(nameLayout, filepath.Base(run))
	if err != nil {
		return t, fmt.Errorf("%s is not named by the start of a run: %w", run, err)
	}
	return t, nil
}

// CellDir is the folder of a cell's runs below a data directory.
func CellDir(data, cell string) string { return filepath.Join(data, "runs", cell) }

// Runs lists the names of the runs in a cell's folder, oldest first. A cell without any is no error.
func Runs(cellDir string) ([]string, error) {
	entries, err := os.ReadDir(cellDir) // sorted by name, and so by time
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
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

// End is the cursor behind everything that a cell's logs hold now.
func End(cellDir string) (Cursor, error) {
	names, err := Runs(cellDir)
	if err != nil || len(names) == 0 {
		return Cursor{}, err
	}
	last := names[len(names)-1]
	info, err := os.Stat(filepath.Join(cellDir, last, runlog.LogName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Cursor{Run: last}, nil
	case err != nil:
		return Cursor{}, fmt.Errorf("measuring the log: %w", err)
	}
	return Cursor{last, info.Size()}, nil
}
