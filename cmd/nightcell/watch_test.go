package main

import (
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
