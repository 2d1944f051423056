package runlog

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestCursorRoundTrip writes and reads any cursor.
func TestCursorRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		began := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "began"), 0).UTC()
		c := Cursor{Run: began.Format(NameLayout), Offset: rapid.Int64Min(0).Draw(t, "offset")}
		got, err := ParseCursor(c.String())
		if err != nil || got != c {
			t.Fatalf("%q came back as %+v, %v", c.String(), got, err)
		}
		if at, err := Began(c.Run); err != nil || !at.Equal(began) {
			t.Fatalf("%s began %v, %v; want %v", c.Run, at, err, began)
		}
	})
	if got, err := ParseCursor(Cursor{}.String()); err != nil || got != (Cursor{}) {
		t.Errorf("the cursor before everything came back as %+v, %v", got, err)
	}
}

// TestCursorMistakes lists what is no cursor.
func TestCursorMistakes(t *testing.T) {
	for _, s := range []string{"x", "20260301T211500Z", "20260301T211500Z/", "20260301T211500Z/-1", "20260301T211500Z/1.5", "../etc/5", "/5", "20261301T211500Z/5"} {
		if c, err := ParseCursor(s); err == nil {
			t.Errorf("%q was read as %+v", s, c)
		}
	}
}

// TestRunsAndEnd walks a cell's folder with other things in it.
func TestRunsAndEnd(t *testing.T) {
	data := t.TempDir()
	dir := CellDir(data, "zinc-1")
	if names, err := Runs(dir); err != nil || len(names) != 0 {
		t.Errorf("a cell that never ran has the runs %v, %v", names, err)
	}
	if end, err := CursorAtEnd(dir); err != nil || end != (Cursor{}) {
		t.Errorf("its end is %+v, %v", end, err)
	}
	want := []string{"20260228T235959Z", "20260301T000000Z"}
	for _, name := range []string{want[1], want[0], "notes", "20260301"} {
		if err := os.MkdirAll(filepath.Join(dir, name), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	if names, err := Runs(dir); err != nil || !slices.Equal(names, want) {
		t.Errorf("runs %v, %v; want %v, oldest first", names, err, want)
	}
	if end, err := CursorAtEnd(dir); err != nil || end != (Cursor{Run: want[1]}) {
		t.Errorf("the end before the first line is %+v, %v", end, err)
	}
	if err := os.WriteFile(filepath.Join(dir, want[1], LogName), []byte("reading x=1 1\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	if end, err := CursorAtEnd(dir); err != nil || end != (Cursor{want[1], 14}) {
		t.Errorf("the end is %+v, %v", end, err)
	}
}
