package watchtest

import (
	"context"
	"io/fs"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

// Disk is a disk that lets nobody in, or is full, as long as it is told to.
type Disk struct {
	runlog.Disk
	Barred, Full atomic.Bool
}

// MkdirAll implements runlog.FS.
func (d *Disk) MkdirAll(path string, perm fs.FileMode) error {
	if d.Barred.Load() {
		return &fs.PathError{Op: "mkdir", Path: path, Err: syscall.EACCES}
	}
	return d.Disk.MkdirAll(path, perm)
}

// OpenFile implements runlog.FS.
func (d *Disk) OpenFile(path string, flag int, perm fs.FileMode) (runlog.File, error) {
	if d.Full.Load() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: syscall.ENOSPC}
	}
	f, err := d.Disk.OpenFile(path, flag, perm)
	return barredFile{f, d}, err
}

type barredFile struct {
	runlog.File
	d *Disk
}

func (f barredFile) Write(p []byte) (int, error) {
	if f.d.Full.Load() {
		return 0, syscall.ENOSPC
	}
	return f.File.Write(p)
}

// LetterBox is a route that keeps what it is given.
type LetterBox struct {
	mu  sync.Mutex
	got []routes.Notice
}

// Name implements routes.Route.
func (*LetterBox) Name() string { return "phone" }

// Deliver implements routes.Route.
func (l *LetterBox) Deliver(_ context.Context, n routes.Notice) (routes.Proof, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.got = append(l.got, n)
	return "taken", nil
}

// Of lists the kinds of what came about a condition.
func (l *LetterBox) Of(c alerts.Condition) string {
	var kinds []string
	for _, n := range l.Got() {
		if n.Condition == c.String() {
			kinds = append(kinds, string(n.Kind))
		}
	}
	return strings.Join(kinds, " ")
}

// Got is what came so far.
func (l *LetterBox) Got() []routes.Notice {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.got)
}
