package runlog

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// endReach is how far before the end of a log its end is looked for: two checkpoints stand around it.
const endReach = 1 << 20

// EndOf says how a run ended, in the words of its log; empty where it goes on or the log does not tell.
func EndOf(runDir string) (string, error) {
	f, err := os.Open(filepath.Join(runDir, LogName))
	if err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	defer f.Close()
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	last := make([]byte, min(size, endReach))
	if _, err := f.ReadAt(last, size-int64(len(last))); err != nil {
		return "", fmt.Errorf("looking for the end of a run: %w", err)
	}
	mark := []byte("\n" + string(KindEntry) + ",")
	for {
		i := bytes.LastIndex(last, mark)
		if i < 0 {
			return "", nil
		}
		line, _, whole := bytes.Cut(last[i+1:], []byte("\n"))
		var d decoder
		var r Record
		if whole && d.general(line, &r) == nil && r.Text("kind") == EntryEnd {
			return r.Text("text"), nil
		}
		last = last[:i+1]
	}
}
