package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

// noticeSource reads one cell's notices from its run logs, oldest first: the log is
// the queue. A cursor is the run's folder name and the byte offset behind the notice.
type noticeSource struct {
	cellDir string // <data>/runs/<cell>

	mu sync.Mutex
	// seen says, for a cursor, how far the log behind it has been found to hold no
	// notice, so that a quiet night is not read again at every look.
	seen map[string]string
}

// mostSeen bounds seen; there are as many live cursors as routes.
const mostSeen = 256

func newNoticeSource(dataDir, cell string) *noticeSource {
	return &noticeSource{cellDir: filepath.Join(dataDir, "runs", cell), seen: make(map[string]string)}
}

// skip returns where to begin looking for the first notice behind a cursor.
func (s *noticeSource) skip(cursor string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if to, ok := s.seen[cursor]; ok {
		return to
	}
	return cursor
}

// remember says that there is no notice between cursor and to.
func (s *noticeSource) remember(cursor, to string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.seen) >= mostSeen {
		clear(s.seen)
	}
	s.seen[cursor] = to
}

// runsOf lists the runs of a cell, oldest first.
func runsOf(cellDir string) ([]string, error) {
	entries, err := os.ReadDir(cellDir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("looking for runs: %w", err)
	}
	var names []string
	for _, e := range entries {
		if _, err := beganAt(e.Name()); err == nil && e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// Start implements routes.Source: behind everything that there is.
func (s *noticeSource) Start(context.Context) (string, error) {
	names, err := runsOf(s.cellDir)
	if err != nil || len(names) == 0 {
		return "", err
	}
	last := names[len(names)-1]
	info, err := os.Stat(filepath.Join(s.cellDir, last, runlog.LogName))
	if errors.Is(err, fs.ErrNotExist) {
		return last + "/0", nil
	}
	if err != nil {
		return "", fmt.Errorf("measuring the log: %w", err)
	}
	return fmt.Sprintf("%s/%d", last, info.Size()), nil
}

// Next implements routes.Source.
func (s *noticeSource) Next(ctx context.Context, cursor string) (routes.Notice, string, error) {
	name, offset, err := parseCursor(s.skip(cursor))
	if err != nil {
		return routes.Notice{}, "", err
	}
	names, err := runsOf(s.cellDir)
	if err != nil {
		return routes.Notice{}, "", err
	}
	for _, run := range names {
		if run < name {
			continue
		}
		if run > name {
			offset = 0
		}
		n, next, err := s.nextIn(ctx, run, offset)
		if errors.Is(err, io.EOF) {
			if next != "" {
				s.remember(cursor, next)
			}
			continue
		}
		return n, next, err
	}
	return routes.Notice{}, "", io.EOF
}

// nextIn looks for a notice in one run.
func (s *noticeSource) nextIn(ctx context.Context, run string, offset int64) (n routes.Notice, next string, err error) {
	r, err := runlog.Open(filepath.Join(s.cellDir, run))
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return n, "", io.EOF
		}
		return n, "", err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	if err := r.SeekTo(offset); err != nil {
		return n, "", err
	}
	var rec runlog.Record
	for ctx.Err() == nil {
		err := r.Next(&rec)
		var damage *runlog.Damage
		switch {
		case errors.As(err, &damage):
			continue // verify names it; the notices around it still go out
		case errors.Is(err, io.EOF):
			return n, fmt.Sprintf("%s/%d", run, r.Offset()), io.EOF
		case err != nil:
			return n, "", err
		case rec.Kind != runlog.KindNotice:
			continue
		}
		n, err := noticeOf(&rec)
		if err != nil {
			continue
		}
		return n, fmt.Sprintf("%s/%d", run, r.Offset()), nil
	}
	return n, "", ctx.Err()
}

func parseCursor(cursor string) (run string, offset int64, err error) {
	if cursor == "" {
		return "", 0, nil
	}
	run, number, ok := strings.Cut(cursor, "/")
	if ok {
		offset, err = strconv.ParseInt(number, 10, 64)
	}
	if !ok || err != nil || offset < 0 {
		return "", 0, fmt.Errorf("the cursor %q is not a run and an offset", cursor)
	}
	return run, offset, nil
}
