//go:build unix

package lock

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestTake: one holder at a time, who is named; nothing is left behind.
func TestTake(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	l, err := Take(path)
	if err != nil {
		t.Fatal(err)
	}
	var held *HeldError
	if _, err := Take(path); !errors.As(err, &held) || held.PID != os.Getpid() {
		t.Errorf("a second lock: %v", err)
	}
	if err := l.Release(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file is left behind: %v", err)
	}
	if l, err = Take(path); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil || l.Stands() {
		t.Errorf("a lock whose file was removed stands, %v", err)
	}
	if err := l.Release(); err != nil {
		t.Fatal(err)
	}
}

// TestTakeFollowsNoLink: what a link points to is neither locked nor written to.
func TestTakeFollowsNoLink(t *testing.T) {
	dir := t.TempDir()
	precious, path := filepath.Join(dir, "precious"), filepath.Join(dir, "lock")
	if err := errors.Join(os.WriteFile(precious, []byte("kept"), 0o600), os.Symlink(precious, path)); err != nil {
		t.Fatal(err)
	}
	if _, err := Take(path); err == nil || !strings.Contains(err.Error(), "is not followed") {
		t.Errorf("error %v", err)
	}
	if text, err := os.ReadFile(precious); err != nil || string(text) != "kept" {
		t.Errorf("it holds %q, %v", text, err)
	}
}

// TestFolder: the home's cache; where there is no home, the fallback, unless others can write to it.
func TestFolder(t *testing.T) {
	home, data := t.TempDir(), t.TempDir()
	t.Setenv("XDG_CACHE_HOME", "")
	t.Setenv("HOME", home)
	if dir, err := Folder(data); err != nil || !strings.HasPrefix(dir, home) {
		t.Errorf("with a home: %s, %v", dir, err)
	}
	t.Setenv("HOME", filepath.Join(home, "none"))
	if dir, err := Folder(data); err != nil || dir != data {
		t.Errorf("without a home: %s, %v", dir, err)
	}
	if dir, err := Folder(filepath.Join(data, "none")); !errors.Is(err, ErrNowhere) {
		t.Errorf("without a home and a fallback: %s, %v", dir, err)
	}
	if err := os.Chmod(data, 0o777); err != nil {
		t.Fatal(err)
	}
	if dir, err := Folder(data); err == nil || !strings.Contains(err.Error(), "others may write") {
		t.Errorf("where everybody may write: %s, %v", dir, err)
	}
}
