// Package backup copies a data directory while a watch writes to it, so that another watch can go on with the copy.
package backup

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"nightcell/daemon/runlog"
)

// Done says what was copied.
type Done struct {
	Files int
	Bytes int64
	Runs  int
	// Unsound are the copied runs, by their paths below the copy, whose logs do not hold together; the copy has them as they are.
	Unsound []string
	// Links are the symbolic links below the data directory, by their paths in it: neither they nor what they point to was copied.
	Links []string
}

// Copy copies data into the new or empty directory to, makes it durable, and integrates every copied log again. What routes and
// pushes have told comes first, because a copy may tell a notice twice but must miss none; then each run's log up to its last
// whole line, then what is entered beside the log, which speaks of lines that the log has. On an error what was copied stays.
// What is read goes to seen too, for whoever shows progress; nil: nobody does.
func Copy(data, to string, seen io.Writer) (*Done, error) {
	seen = cmp.Or(seen, io.Discard)
	data, err := filepath.EvalSymlinks(data) // a walk does not follow one, and systemd makes the state directory of a dynamic user one
	if err != nil {
		return nil, fmt.Errorf("the data directory: %w", err)
	}
	if err := fresh(data, to); err != nil {
		return nil, err
	}
	done := &Done{Unsound: []string{}, Links: []string{}}
	for _, runs := range []bool{false, true} { // runs are looked for once the rest is copied
		files, links, err := list(data, runs)
		done.Links = append(done.Links, links...)
		if err != nil {
			return nil, fmt.Errorf("looking through %s: %w", data, err)
		}
		for _, name := range files {
			n, err := copyFile(filepath.Join(data, name), filepath.Join(to, name), seen)
			if errors.Is(err, fs.ErrNotExist) {
				continue // it went while we copied, as a small file does that is replaced
			}
			if err != nil {
				return nil, fmt.Errorf("copying %s: %w", name, err)
			}
			done.Files, done.Bytes = done.Files+1, done.Bytes+n
			if runs && filepath.Base(name) == runlog.LogName {
				done.Runs++
			}
		}
	}
	return done, done.verify(to, seen)
}

// fresh makes the directory of the copy, or finds it empty. A copy inside of what is copied would never end.
func fresh(data, to string) error {
	if info, err := os.Stat(data); err == nil && !info.IsDir() { // one that cannot be looked into is told below
		return fmt.Errorf("the data directory %s is not a directory", data)
	}
	from, err := filepath.Abs(data)
	if err != nil {
		return err
	}
	abs, err := filepath.Abs(to)
	if err != nil {
		return err
	}
	if inside, err := filepath.Rel(from, abs); err == nil && filepath.IsLocal(inside) {
		return fmt.Errorf("%s lies inside of the data directory %s; choose another place", to, data)
	}
	if err := os.MkdirAll(to, 0o700); err != nil {
		return fmt.Errorf("making the directory of the copy: %w", err)
	}
	there, err := os.ReadDir(to)
	if err != nil {
		return fmt.Errorf("looking into the directory of the copy: %w", err)
	}
	if len(there) > 0 {
		return fmt.Errorf("%s is not empty; name a new directory for each backup", to)
	}
	return nil
}

// list names the files of runs, or all others, and the symbolic links among them, relative to data and in the order in which to copy them. Locks, sockets and
// files that are just being written belong to the process that made them.
func list(data string, runs bool) (files, links []string, err error) {
	err = fs.WalkDir(os.DirFS(data), ".", func(name string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && name != "." {
			return nil
		}
		if err != nil {
			return err
		}
		ofRuns := name == "runs" || strings.HasPrefix(name, "runs/")
		name = filepath.FromSlash(name)
		passing := d.Name() == "lock" || strings.HasSuffix(name, ".lock") || strings.HasSuffix(name, ".new")
		switch {
		case ofRuns != runs || passing:
		case d.Type().IsRegular():
			files = append(files, name)
		case d.Type() == fs.ModeSymlink:
			links = append(links, name)
		}
		return nil
	})
	slices.SortStableFunc(files, func(a, b string) int {
		return cmp.Or(cmp.Compare(filepath.Dir(a), filepath.Dir(b)), cmp.Compare(rank(a), rank(b)))
	})
	return files, links, err
}

// rank puts the log before what speaks of it, and entries before photos, which are there before their entry is.
func rank(name string) int {
	switch filepath.Base(name) {
	case runlog.LogName:
		return 0
	case runlog.LateName:
		return 1
	}
	return 2
}

// copyFile copies what a file holds now, a log up to its last line end. Permissions are kept, for some files are secret.
func copyFile(from, to string, seen io.Writer) (n int64, err error) {
	in, err := os.Open(from)
	if err != nil {
		return 0, err
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return 0, err
	}
	size := info.Size()
	if filepath.Base(from) == runlog.LogName {
		r, err := runlog.Open(filepath.Dir(from))
		if err != nil {
			return 0, err
		}
		err = r.SeekTo(size) // or to the line end before it
		if size, err = r.Offset(), errors.Join(err, r.Close()); err != nil {
			return 0, err
		}
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return 0, err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, info.Mode().Perm())
	if err != nil {
		return 0, err
	}
	n, err = io.Copy(io.MultiWriter(out, seen), io.NewSectionReader(in, 0, size))
	if err == nil && n < size {
		err = fmt.Errorf("it was cut to %d bytes while it was copied", n)
	}
	if err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err != nil {
		return n, err
	}
	if err := os.Chtimes(to, info.ModTime(), info.ModTime()); err != nil {
		return n, err
	}
	return n, runlog.Disk{}.SyncDir(filepath.Dir(to))
}

// verify integrates every copied log again.
func (d *Done) verify(to string, seen io.Writer) error {
	logs, err := filepath.Glob(filepath.Join(to, "runs", "*", "*", runlog.LogName))
	if err != nil {
		return err
	}
	for _, log := range logs {
		run := filepath.Dir(log)
		report, err := runlog.ReplayEach(run, nil, seen)
		if err != nil {
			return fmt.Errorf("reading the copy: %w", err)
		}
		if !report.Sound() || report.TornBytes > 0 {
			d.Unsound = append(d.Unsound, run)
		}
	}
	return nil
}
