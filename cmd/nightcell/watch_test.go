package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Few cells run on one processor and many on all, also after the configuration was read anew; what the environment says holds.
func TestProcessors(t *testing.T) {
	before := runtime.GOMAXPROCS(0)
	t.Cleanup(func() { runtime.GOMAXPROCS(before) })
	runtime.SetDefaultGOMAXPROCS()
	all := runtime.GOMAXPROCS(0)
	for _, c := range []struct {
		environment string
		cells, want int
	}{{"", 5, 1}, {"", 50, all}, {"", 5, 1}, {"3", 5, 3}, {"3", 50, 3}} {
		t.Setenv("GOMAXPROCS", c.environment)
		if c.environment != "" {
			runtime.GOMAXPROCS(c.want) // as the runtime does at the start
		}
		takeProcessors(c.cells)
		if got := runtime.GOMAXPROCS(0); got != c.want {
			t.Errorf("GOMAXPROCS=%q: %d processors for %d cells, want %d", c.environment, got, c.cells, c.want)
		}
	}
}

// TestWatchGivesTheProcessorsBack: what runs behind it in the same process, as the tests do, has them all.
func TestWatchGivesTheProcessorsBack(t *testing.T) {
	before := runtime.GOMAXPROCS(2)
	t.Cleanup(func() { runtime.GOMAXPROCS(before) })
	t.Setenv("GOMAXPROCS", "")
	dir := t.TempDir()
	config := filepath.Join(dir, "nightcell.toml")
	text := "data = \"data\"\n[page]\nlisten = \"\"\n[supply.bench]\nport = \"nowhere\"\n[cell.zinc-1]\nsupply = \"bench\"\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	log := writerFunc(func(b []byte) (int, error) {
		if bytes.Contains(b, []byte("watching")) {
			if n := runtime.GOMAXPROCS(0); n != 1 {
				t.Errorf("one cell is watched on %d processors", n)
			}
			stop()
		}
		return len(b), nil
	})
	if err := (&watchFlags{config: config, speed: 1}).run(ctx, &shell{out: io.Discard, err: log}); err != nil {
		t.Fatal(err)
	}
	if n := runtime.GOMAXPROCS(0); n != 2 {
		t.Errorf("%d processors are left", n)
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }
