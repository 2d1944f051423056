package watch

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestNoCommandPassesThatIsNotPermitted: the hands themselves are called, as a fault further up would, under every permission. Nothing leaves
// for the supply but what the permission in force allows.
func TestNoCommandPassesThatIsNotPermitted(t *testing.T) {
	for _, may := range []alerts.Permission{{}, {Off: true}, {Hold: true}, {Step: true}, {Off: true, Hold: true, Step: true}} {
		synctest.Test(t, func(t *testing.T) {
			b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
			c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
			c.settings.May, c.settings.HoldAmperes = may, 0.2
			stop := watchtest.Start(t, c)
			<-time.After(time.Minute)
			for _, command := range []func(context.Context) (*drivers.Reading, error){c.commandHold, c.commandOff} {
				_ = c.ask(t.Context(), func(ctx context.Context) error {
					_, err := command(ctx)
					return err
				})
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
			sent := b.Sent()
			if off := slices.Contains(sent, "OUTP OFF"); off != may.Off {
				t.Errorf("%+v: off was sent: %v", may, sent)
			}
			if set := slices.Contains(sent, "CURR 0.2000"); set != (may.Hold || may.Step) {
				t.Errorf("%+v: a current was sent: %v", may, sent)
			}
		})
	}
}

func allMay() alerts.Permission { return alerts.Permission{Off: true, Hold: true, Step: true} }
