package watch

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// zincCell is the watch over the zinc cell on a bench. cellLines and rest complete
// the configuration; target is the line of the target's table.
func zincCell(t testing.TB, b *watchtest.Bench, dir, cellLines, target, rest string) *Cell {
	t.Helper()
	cfg, err := watchtest.Zinc(dir, cellLines, target, rest)
	if err != nil {
		t.Fatal(err)
	}
	return cellOf(t, b, cfg)
}

// cellOf is the watch over the one cell of a configuration.
func cellOf(t testing.TB, b *watchtest.Bench, cfg *configs.Config) *Cell {
	t.Helper()
	s, err := SettingsOf(cfg, &cfg.Cells[0], nil, b.Clock, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s.Open = opens(b)
	c := New(s, MachineOf(b.Clock))
	b.May = func() alerts.Permission { return c.link.may() }
	return c
}

// until lets virtual time pass until ok, and fails after limit.
func until(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	for began := time.Now(); !ok(); {
		<-time.After(time.Second)
		if time.Since(began) > limit {
			t.Fatalf("not within %v: %s", limit, what)
		}
	}
}

func opens(b *watchtest.Bench) Opener {
	return func(ctx context.Context, _ Noted) (drivers.Supply, error) { return b.Open(ctx) }
}

// untilShown lets virtual time pass until a run is open, or has ended, and ok says yes of its snapshot. It fails after limit.
func untilShown(t *testing.T, c *Cell, limit time.Duration, what string, ok func(*snapshot.Cell) bool) {
	t.Helper()
	for began := time.Now(); ; {
		<-time.After(time.Second)
		if s := c.Latest(); s != nil && s.Run != "" && ok(s) {
			return
		}
		if time.Since(began) > limit {
			t.Fatalf("not within %v: %s", limit, what)
		}
	}
}

// hasEnded says of a snapshot that its run has ended.
func hasEnded(s *snapshot.Cell) bool { return s.Ended }

// stands returns what says of a snapshot that the alarm of a condition stands in it.
func stands(c alerts.Condition) func(*snapshot.Cell) bool {
	return func(s *snapshot.Cell) bool { _, ok := watchtest.Standing(s, c); return ok }
}

// night begins with the output off and switches it on after five minutes.
const night = `
name = "night"
[supply]
output = "off"
[[event]]
at = "5 min"
kind = "panel"
output = "on"
`

// within2u says whether the truth lies within the expanded uncertainty of the counted charge.
func within2u(s *snapshot.Cell, truth float64) error {
	if off := math.Abs(s.Charge.CountedCoulombs - truth); off > 2*s.Charge.UncertaintyCoulombs {
		return fmt.Errorf("counted %.3f C, truly %.3f C: off by %.3f C, more than 2 u = %.3f C",
			s.Charge.CountedCoulombs, truth, off, 2*s.Charge.UncertaintyCoulombs)
	}
	return nil
}
