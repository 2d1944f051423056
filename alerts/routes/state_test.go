package routes

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
)

// library is a source that newcomers join at its end.
type library struct{ journal }

func (l *library) Start(context.Context) (string, error) { return "2", nil }

func TestANewcomerIsNotToldOldNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &library{}, &inbox{name: "phone"}
		source.add(alarm("old", "contact", High), alarm("older", "whisker", High), alarm("new", "hard-short", High))
		box := open(t, Options{Source: source}, Way{Route: phone})
		flush(t, box)
		equal(t, phone.ids(), "new")
	})
}

func TestDirectoryKeepsTheStateOfEachRoute(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "made when needed")
	d := Directory{Path: dir, Write: func(path string, data []byte) error { return os.WriteFile(path, data, 0o600) }}
	names := []string{"phone", "Phone", "../phone", "a/b", "a%2fb", "", ".", "mail ö", strings.Repeat("n", 50)}
	for _, name := range names {
		if data, err := d.Load(name); data != nil || err != nil {
			t.Errorf("%q before it was saved: %q, %v", name, data, err)
		}
		if err := d.Save(name, []byte(name)); err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range names {
		if data, err := d.Load(name); string(data) != name || err != nil {
			t.Errorf("%q became %q, %v", name, data, err)
		}
	}
	inside, err := os.ReadDir(dir)
	if err != nil || len(inside) != len(names) {
		t.Errorf("%d files for %d routes, %v", len(inside), len(names), err)
	}
	full := errors.New("no space left on device")
	d.Write = func(string, []byte) error { return full }
	if err := d.Save("phone", nil); !errors.Is(err, full) {
		t.Errorf("error: %v", err)
	}
}

func TestARouteRemembersABoundedNumberOfAlarms(t *testing.T) {
	var s state
	for i := range mostOpen + 10 {
		n := alarm("a", strings.Repeat("c", i), High)
		if o := s.put(n); (o == nil) != (i >= mostOpen) {
			t.Fatalf("alarm %d: %v", i, o)
		}
	}
	if len(s.Open) != mostOpen {
		t.Errorf("%d are open", len(s.Open))
	}
	if s.put(alarm("b", "", High)) == nil { // one that is known is replaced
		t.Error("no room for a known alarm")
	}
}
