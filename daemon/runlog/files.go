package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"nightcell/integrate"
)

// FS is the file system as far as the log needs it, so that tests can make every
// operation fail.
type FS interface {
	OpenFile(name string, flag int, perm fs.FileMode) (File, error)
	MkdirAll(path string, perm fs.FileMode) error
	Rename(from, to string) error
	Remove(name string) error
	ReadDir(path string) ([]fs.DirEntry, error)
	// SyncDir makes the entries of a directory durable.
	SyncDir(path string) error
	// Same reports whether path leads to the file that is open as f. fs.ErrNotExist is wrapped when it leads nowhere.
	Same(path string, f File) (bool, error)
}

// File is an open file.
type File interface {
	io.Reader
	io.ReaderAt
	io.Writer
	io.Seeker
	io.Closer
	Truncate(size int64) error
	Sync() error
	Stat() (fs.FileInfo, error)
}

// Disk is the machine's own file system.
type Disk struct{}

// OpenFile is os.OpenFile.
func (Disk) OpenFile(name string, flag int, perm fs.FileMode) (File, error) {
	f, err := os.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// MkdirAll is os.MkdirAll.
func (Disk) MkdirAll(path string, perm fs.FileMode) error { return os.MkdirAll(path, perm) }

// Rename is os.Rename.
func (Disk) Rename(from, to string) error { return os.Rename(from, to) }

// Remove is os.Remove.
func (Disk) Remove(name string) error { return os.Remove(name) }

// ReadDir is os.ReadDir.
func (Disk) ReadDir(path string) ([]fs.DirEntry, error) { return os.ReadDir(path) }

// SyncDir fsyncs the directory. Windows cannot, and needs not.
func (Disk) SyncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Same compares device and inode, or what stands for them.
func (Disk) Same(path string, f File) (bool, error) {
	there, err := os.Stat(path)
	if err != nil {
		return false, err
	}
	open, err := f.Stat()
	if err != nil {
		return false, err
	}
	return os.SameFile(there, open), nil
}

const isRun = "a run is a directory that contains " + LogName

// Remedy is what can be done about a file that cannot be opened: otherwise, unless it is for want of a permission.
func Remedy(err error, otherwise string) string {
	if errors.Is(err, fs.ErrPermission) {
		return "do it as the user who runs nightcell"
	}
	return otherwise
}

// WriteFileAtomic replaces the file at path by data so that after a crash either
// the old or the new content is there, whole: temporary file beside it, fsync,
// close, rename, fsync of the directory. On an error the old file stands.
func WriteFileAtomic(fsys FS, path string, data []byte, perm fs.FileMode) (err error) {
	tmp := path + ".new"
	f, err := fsys.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, perm)
	if err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			_ = fsys.Remove(tmp) // leftovers are overwritten next time anyway
		}
	}()
	n, err := f.Write(data)
	if err == nil && n < len(data) {
		err = io.ErrShortWrite
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	if err := fsys.Rename(tmp, path); err != nil {
		return fmt.Errorf("putting %s in place: %w", path, err)
	}
	if err := fsys.SyncDir(filepath.Dir(path)); err != nil {
		return fmt.Errorf("making %s durable: %w", path, err)
	}
	return nil
}

// ErrDisplaced says, as Health's cause, that the log at its path is no longer the one that
// was written: it was removed, replaced or cut, or one of its folders was. Nothing written
// to it would be found again, so lines wait in memory until Anew.
var ErrDisplaced = errors.New("the run log is no longer where it was written")

func displaced(what string) error { return fmt.Errorf("%w: %s", ErrDisplaced, what) }

// Look compares the open log with what lies at its path; whatever is wrong shows in Health.
// It asks the file system three times, so call it every few seconds and not with each line.
func (w *Writer) Look() {
	if w.file == nil {
		return // the next line opens it anew and looks then
	}
	path := filepath.Join(w.runDir, LogName)
	same, err := w.o.FS.Same(path, w.file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		w.fail(displaced(path + " is gone"))
	case err != nil:
		return // a folder that cannot be looked into, or a disk in trouble: writing tells
	case !same:
		w.fail(displaced("another file lies at " + path))
	case w.wasCut():
		w.fail(displaced(path + " was cut"))
	default:
		w.looked = w.base + int64(w.written)
	}
}

// wasCut reports whether bytes that were there at the last look are gone. What was written
// since stands behind a hole of zeros then, so that the size alone does not tell.
func (w *Writer) wasCut() bool {
	if w.looked == 0 {
		return false
	}
	var b [1]byte
	_, err := w.file.ReadAt(b[:], w.looked-1)
	return err == nil && b[0] != '\n' || errors.Is(err, io.EOF)
}

// Anew leaves a displaced log behind and begins another for the same run, in a folder of
// its own beside it, which is named by utc. The notices that were not yet written come first, then
// an entry that says why, then a checkpoint with all of c and the watch's extra fields, so that
// resuming needs nothing of the log before. frozen is kept as run.toml. A disk that does
// not take it for the moment is no error (see Health).
func (w *Writer) Anew(utc time.Time, why string, frozen []byte, c *integrate.Coulometer, extra ...Field) error {
	before, cellDir := w.runDir, filepath.Dir(w.runDir)
	if w.file != nil {
		_ = w.file.Close() // nothing can be lost there that is not lost already
		w.file = nil
	}
	last, err := lastName(w.o.FS, cellDir)
	if err != nil {
		last = "" // the folder is made below, or the disk tells
	}
	w.runDir = filepath.Join(cellDir, nameAfter(max(last, filepath.Base(before)), utc))
	w.frozen, w.isMade, w.cut = frozen, false, false
	w.keepNotices()
	w.base, w.written, w.looked, w.crc, w.since = 0, 0, 0, 0, 0
	w.health.Cause, w.urgent = nil, true
	for line := range bytes.Lines(w.pending) {
		w.count(line)
	}
	if err := w.Entry(utc, EntryAnew, why, Text("before", filepath.Base(before))); err != nil {
		return err
	}
	return w.Checkpoint(utc, c, extra...)
}

// keepNotices drops from memory what the checkpoint carries or the old log has: all but notices that nobody was told of.
func (w *Writer) keepNotices() {
	var kept []byte
	for line := range bytes.Lines(w.pending) {
		if bytes.HasPrefix(line, []byte(string(KindNotice)+",")) {
			kept = append(kept, line...)
		}
	}
	w.pending = kept
}
