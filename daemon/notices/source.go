package notices

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"sync"

	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

// Source reads one cell's notices from its run logs, oldest first: the log is
// the queue. A cursor is the run's folder name and the byte offset behind the notice.
type Source struct {
	cellDir string // <data>/runs/<cell>

	// seen says, for a cursor that stands at the end, how far the log behind it has been found to hold no
	// notice, so that a quiet night is not read again at every look.
	seen sync.Map
}

// NewSource reads the notices of one cell in a data directory.
func NewSource(dataDir, cell string) *Source {
	return &Source{cellDir: runlog.CellDir(dataDir, cell)}
}

// Start implements routes.Source: behind everything that there is.
func (s *Source) Start(context.Context) (string, error) {
	end, err := runlog.CursorAtEnd(s.cellDir)
	return end.String(), err
}

// Latest implements routes.Runs.
func (s *Source) Latest(context.Context) (string, error) {
	end, err := runlog.CursorAtEnd(s.cellDir)
	end.Offset = 0
	return end.String(), err
}

// Next implements routes.Source.
func (s *Source) Next(ctx context.Context, from string) (routes.Notice, string, error) {
	begin, seen := s.seen.Load(from)
	if !seen {
		begin = from
	}
	at, err := runlog.ParseCursor(begin.(string))
	if err != nil {
		return routes.Notice{}, "", fmt.Errorf("%w: %w", routes.ErrCursor, err)
	}
	names, err := runlog.Runs(s.cellDir)
	if err != nil {
		return routes.Notice{}, "", err
	}
	if len(names) > 0 && at.Run > names[len(names)-1] {
		return routes.Notice{}, "", fmt.Errorf("%w: there is no run %s yet", routes.ErrCursor, at.Run)
	}
	for _, run := range names {
		if run < at.Run {
			continue
		}
		if run > at.Run {
			at = runlog.Cursor{Run: run}
		}
		n, next, err := s.nextIn(ctx, at)
		if errors.Is(err, io.EOF) {
			s.seen.Store(from, next.String())
			continue
		}
		s.seen.Delete(from)
		return n, next.String(), err
	}
	return routes.Notice{}, "", io.EOF
}

// nextIn looks for a notice in one run; with io.EOF it returns how far it has looked.
func (s *Source) nextIn(ctx context.Context, at runlog.Cursor) (n routes.Notice, next runlog.Cursor, err error) {
	r, err := runlog.Open(filepath.Join(s.cellDir, at.Run))
	if errors.Is(err, fs.ErrNotExist) {
		return n, at, io.EOF
	}
	if err != nil {
		return n, at, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	if err := r.SeekTo(at.Offset); err != nil {
		return n, at, err
	}
	if r.Offset() != at.Offset {
		return n, at, fmt.Errorf("%w: no line of run %s ends at byte %d", routes.ErrCursor, at.Run, at.Offset)
	}
	var rec runlog.Record
	for ctx.Err() == nil {
		err := r.Next(&rec)
		next = runlog.Cursor{Run: at.Run, Offset: r.Offset()}
		var damage *runlog.Damage
		switch {
		case errors.As(err, &damage):
			continue // verify names it; the notices around it still go out
		case err != nil:
			return n, next, err
		case rec.Kind != runlog.KindNotice:
			continue
		}
		if n, err := Of(&rec); err == nil {
			return n, next, nil
		}
	}
	return n, at, ctx.Err()
}
