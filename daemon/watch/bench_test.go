package watch

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/configs"
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
