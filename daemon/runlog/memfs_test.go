package runlog

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// memFS is a disk that can fail and can lose its power. It tells what is durable
// from what is only written: content after File.Sync, names after SyncDir.
type memFS struct {
	names   map[string]*inode // what programs see
	durable map[string]*inode // what a power cut leaves
	fault   func(op, name string) error
	ops     []string // of every operation so far, with its file's base name
	read    int64    // bytes
}

type inode struct {
	dir     bool
	data    []byte
	durable []byte
}

// newMemFS returns a disk with an empty data directory.
func newMemFS() *memFS {
	data := &inode{dir: true}
	return &memFS{names: map[string]*inode{"/data": data}, durable: map[string]*inode{"/data": data}}
}

// may counts an operation and asks whether it fails.
func (m *memFS) may(op, name string) error {
	m.ops = append(m.ops, op+" "+filepath.Base(name))
	if m.fault == nil {
		return nil
	}
	if err := m.fault(op, name); err != nil {
		return &fs.PathError{Op: op, Path: name, Err: err}
	}
	return nil
}

func (m *memFS) OpenFile(name string, flag int, _ fs.FileMode) (File, error) {
	if err := m.may("open", name); err != nil {
		return nil, err
	}
	n := m.names[name]
	if n == nil {
		if flag&os.O_CREATE == 0 || m.names[filepath.Dir(name)] == nil {
			return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		}
		n = &inode{}
		m.names[name] = n
	}
	if flag&os.O_TRUNC != 0 {
		n.data = nil
	}
	return &memFile{fs: m, inode: n, name: name}, nil
}

func (m *memFS) MkdirAll(path string, _ fs.FileMode) error {
	if err := m.may("mkdir", path); err != nil {
		return err
	}
	for ; path != "/" && path != "."; path = filepath.Dir(path) {
		if m.names[path] == nil {
			m.names[path] = &inode{dir: true}
		}
	}
	return nil
}

func (m *memFS) Rename(from, to string) error {
	if err := m.may("rename", to); err != nil {
		return err
	}
	m.names[to] = m.names[from]
	delete(m.names, from)
	return nil
}

func (m *memFS) Remove(name string) error {
	if err := m.may("remove", name); err != nil {
		return err
	}
	delete(m.names, name)
	return nil
}

func (m *memFS) ReadDir(path string) ([]fs.DirEntry, error) {
	if err := m.may("readdir", path); err != nil {
		return nil, err
	}
	var entries []fs.DirEntry
	for _, name := range slices.Sorted(maps.Keys(m.names)) {
		if filepath.Dir(name) == path {
			entries = append(entries, memEntry{name, m.names[name].dir})
		}
	}
	if entries == nil {
		return nil, fs.ErrNotExist
	}
	return entries, nil
}

func (m *memFS) SyncDir(path string) error {
	if err := m.may("syncdir", path); err != nil {
		return err
	}
	for name := range m.durable {
		if filepath.Dir(name) == path && m.names[name] == nil {
			delete(m.durable, name)
		}
	}
	for name, n := range m.names {
		if filepath.Dir(name) == path {
			m.durable[name] = n
		}
	}
	return nil
}

func (m *memFS) Same(path string, f File) (bool, error) {
	if err := m.may("stat", path); err != nil {
		return false, err
	}
	n := m.names[path]
	if n == nil {
		return false, &fs.PathError{Op: "stat", Path: path, Err: fs.ErrNotExist}
	}
	return n == f.(*memFile).inode, nil
}

// powerCut forgets what was not durable. Of the bytes behind, a part may have
// reached the disk all the same, and some of the blocks as zeros.
func (m *memFS) powerCut(rng *rand.Rand) {
	m.names = map[string]*inode{}
	for name, n := range m.durable {
		reachable := true
		for dir := filepath.Dir(name); dir != "/" && dir != "."; dir = filepath.Dir(dir) {
			reachable = reachable && m.durable[dir] != nil
		}
		if !reachable {
			continue
		}
		kept := slices.Clone(n.durable)
		if loose := len(n.data) - len(kept); loose > 0 && rng.IntN(2) == 0 {
			part := slices.Clone(n.data[len(kept) : len(kept)+rng.IntN(loose+1)])
			if len(part) > 0 && rng.IntN(2) == 0 {
				clear(part[rng.IntN(len(part)):])
			}
			kept = append(kept, part...)
		}
		*n = inode{dir: n.dir, data: kept, durable: slices.Clone(kept)}
		m.names[name] = n
	}
	m.durable = maps.Clone(m.names)
}

// log returns the content of the only log.
func (m *memFS) log(t testing.TB) (runDir string, data []byte) {
	t.Helper()
	for name, n := range m.names {
		if strings.HasSuffix(name, "/"+LogName) {
			return filepath.Dir(name), n.data
		}
	}
	t.Fatal("there is no log")
	return "", nil
}

type memEntry struct {
	name string
	dir  bool
}

func (e memEntry) Name() string               { return filepath.Base(e.name) }
func (e memEntry) IsDir() bool                { return e.dir }
func (e memEntry) Type() fs.FileMode          { return 0 }
func (e memEntry) Info() (fs.FileInfo, error) { return nil, errors.ErrUnsupported }

type memInfo struct {
	memEntry
	size int64
}

func (i memInfo) Size() int64        { return i.size }
func (i memInfo) Mode() fs.FileMode  { return 0o640 }
func (i memInfo) ModTime() time.Time { return time.Time{} }
func (i memInfo) Sys() any           { return nil }

type memFile struct {
	fs *memFS
	*inode
	name string
	at   int64
}

func (f *memFile) Read(b []byte) (int, error) {
	n, err := f.ReadAt(b, f.at)
	f.at += int64(n)
	if n > 0 {
		err = nil
	}
	return n, err
}

func (f *memFile) ReadAt(b []byte, at int64) (int, error) {
	if err := f.fs.may("read", f.name); err != nil {
		return 0, err
	}
	if at >= int64(len(f.data)) {
		return 0, io.EOF
	}
	n := copy(b, f.data[at:])
	f.fs.read += int64(n)
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

// Write takes half of the bytes when it fails, as a full disk does.
func (f *memFile) Write(b []byte) (int, error) {
	err := f.fs.may("write", f.name)
	if err != nil {
		b = b[:len(b)/2]
	}
	if end := f.at + int64(len(b)); end > int64(len(f.data)) {
		f.data = append(f.data, make([]byte, end-int64(len(f.data)))...)
	}
	n := copy(f.data[f.at:], b)
	f.at += int64(n)
	return n, err
}

func (f *memFile) Seek(offset int64, whence int) (int64, error) {
	if err := f.fs.may("seek", f.name); err != nil {
		return 0, err
	}
	switch whence {
	case io.SeekStart:
		f.at = offset
	case io.SeekEnd:
		f.at = int64(len(f.data)) + offset
	default:
		return 0, fmt.Errorf("whence %d", whence)
	}
	return f.at, nil
}

func (f *memFile) Stat() (fs.FileInfo, error) {
	return memInfo{memEntry{f.name, false}, int64(len(f.data))}, nil
}

func (f *memFile) Truncate(size int64) error {
	if err := f.fs.may("truncate", f.name); err != nil {
		return err
	}
	f.data = f.data[:size:size]
	return nil
}

func (f *memFile) Sync() error {
	if err := f.fs.may("sync", f.name); err != nil {
		// After a failed fsync the kernel holds the pages clean although they are
		// not on the disk: they are gone at the next power cut.
		return err
	}
	f.durable = slices.Clone(f.data)
	return nil
}

func (f *memFile) Close() error { return f.fs.may("close", f.name) }

func startRand() *rand.Rand { return rand.New(rand.NewPCG(5, 5)) }
