package runlog

import (
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
)

// Cursor is a place in the log of a run: everything before it is done with.
type Cursor struct {
	Run    string // the run's directory name, its UTC beginning
	Offset int64  // bytes
}

// SaveCursor keeps a cursor in the file at path, so that it survives a power cut.
func SaveCursor(fsys FS, path string, c Cursor) error {
	return WriteFileAtomic(fsys, path, fmt.Appendf(nil, "%s %d\n", c.Run, c.Offset), 0o640)
}

// LoadCursor reads what SaveCursor kept. A file that is absent is the zero Cursor.
func LoadCursor(fsys FS, path string) (Cursor, error) {
	data, err := readAll(fsys, path, 4096)
	if errors.Is(err, fs.ErrNotExist) {
		return Cursor{}, nil
	}
	if err != nil {
		return Cursor{}, fmt.Errorf("reading the cursor: %w", err)
	}
	run, offset, _ := strings.Cut(strings.TrimSuffix(string(data), "\n"), " ")
	n, err := strconv.ParseInt(offset, 10, 64)
	if err != nil || n < 0 || run == "" {
		return Cursor{}, fmt.Errorf("the cursor in %s is damaged; delete the file to begin again with the oldest line", path)
	}
	return Cursor{run, n}, nil
}
