// Package lock keeps two processes of one user from using the same thing at once. A lock
// is a file in a folder where only that user can write, so that nobody else can take it
// beforehand or put a link in its place. It is gone when the process ends, however it ends.
package lock

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/gofrs/flock"
)

// HeldError says that another process has the lock.
type HeldError struct {
	Path string
	PID  int // 0 when it is not known
}

func (e *HeldError) Error() string {
	if e.PID == 0 {
		return e.Path + " is held by another process"
	}
	return fmt.Sprintf("%s is held by process %d", e.Path, e.PID)
}

// Lock is a lock that is held.
type Lock struct {
	path string
	file *flock.Flock
	made fs.FileInfo
}

// Take takes the lock at path and writes this process's number into it. No link is followed. The
// error is a *HeldError when another process has it. A disk that takes no number is no error.
func Take(path string) (*Lock, error) {
	const tries = 20 // against one who gives it up, and so removes it, at the same time
	for range tries {
		file := flock.New(path, flock.SetFlag(os.O_CREATE|os.O_RDWR|noFollow), flock.SetPermissions(0o600))
		held, err := file.TryLock()
		if err != nil {
			if info, lookErr := os.Lstat(path); lookErr == nil && !info.Mode().IsRegular() {
				return nil, fmt.Errorf("%s is not a plain file (%s) and is not followed; remove it, and find out who put it there", path, info.Mode().Type())
			}
			return nil, fmt.Errorf("locking %s: %w", path, err)
		}
		if !held {
			return nil, &HeldError{path, holder(path)}
		}
		l := &Lock{path: path, file: file}
		if l.made, err = file.Stat(); err == nil && l.Stands() {
			l.sign()
			return l, nil
		}
		_ = file.Close() // it was removed or replaced between opening and locking
	}
	return nil, fmt.Errorf("locking %s: the file is replaced again and again; find out by whom", path)
}

// Stands reports whether the lock's file still lies where it was made: if it does not, another
// process can take the lock too.
func (l *Lock) Stands() bool {
	now, err := os.Lstat(l.path)
	return err == nil && os.SameFile(now, l.made)
}

// Release gives the lock back and removes its file. A nil Lock holds nothing.
func (l *Lock) Release() error {
	if l == nil {
		return nil
	}
	if l.Stands() {
		_ = os.Remove(l.path) // before it is unlocked, so that nobody locks what is about to go; one that stays does no harm
	}
	return l.file.Close()
}

// sign writes this process's number into the file, for whoever finds it locked.
func (l *Lock) sign() {
	f, err := os.OpenFile(l.path, os.O_WRONLY|noFollow, 0)
	if err != nil {
		return
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !os.SameFile(info, l.made) || f.Truncate(0) != nil {
		return
	}
	_, _ = f.WriteString(strconv.Itoa(os.Getpid())) // without it the lock holds all the same
}

func holder(path string) int {
	f, err := os.OpenFile(path, os.O_RDONLY|noFollow, 0)
	if err != nil {
		return 0
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, 20))
	if err != nil {
		return 0
	}
	pid, _ := strconv.Atoi(strings.TrimSpace(string(text)))
	return pid
}

// ErrNowhere says that this user has no home and the fallback is not there either, so that no other process of this user can have a lock.
var ErrNowhere = errors.New("there is no folder for locks")

// Folder returns a folder for locks that all processes of this user agree on: the one for
// caches in the user's home, which is made if need be, or else fallback if it is there.
func Folder(fallback string) (string, error) {
	var failed []error
	if caches, err := os.UserCacheDir(); err != nil {
		failed = append(failed, err)
	} else if _, err := os.Stat(filepath.Dir(caches)); err != nil { // a home that is not there is not made
		failed = append(failed, err)
	} else if dir := filepath.Join(caches, "nightcell"); fit(dir, &failed) {
		return dir, nil
	}
	if fallback != "" {
		if _, err := os.Stat(fallback); errors.Is(err, fs.ErrNotExist) {
			return "", ErrNowhere
		} else if err != nil {
			failed = append(failed, err)
		} else if fit(fallback, &failed) {
			return fallback, nil
		}
	}
	return "", fmt.Errorf("no folder for the lock of the supply, one that this user alone can write to: %w", errors.Join(failed...))
}

// fit makes a folder and reports whether only this user can write to it.
func fit(dir string, failed *[]error) bool {
	err := os.MkdirAll(dir, 0o700)
	if err == nil {
		err = private(dir)
	}
	if err == nil {
		var trial *os.File
		if trial, err = os.CreateTemp(dir, ".trial-*"); err == nil {
			err = errors.Join(trial.Close(), os.Remove(trial.Name()))
		}
	}
	if err != nil {
		*failed = append(*failed, err)
	}
	return err == nil
}
