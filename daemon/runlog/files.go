package runlog

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
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
