package watch

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestStandingAlarmsNameTheMetal: who looks at the list reads what was told when the alarm came, of this cell's own metal.
func TestStandingAlarmsNameTheMetal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), "name = \"panel\"\n[supply]\noutput = \"on\"\n[[event]]\nat = \"10 min\"\nkind = \"panel\"\noutput = \"off\"\n")
		c := zincCell(t, b, t.TempDir(), "", `charge = "10 A h"`, "")
		stop := watchtest.Start(t, c)
		until(t, 20*time.Minute, "the output is off", func() bool {
			s := c.Latest()
			if s == nil {
				return false
			}
			_, ok := watchtest.Standing(s, alerts.OutputOff)
			return ok
		})
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		a, _ := watchtest.Standing(s, alerts.OutputOff)
		const rest = "zinc dissolves in its own acid as soon as the current stops"
		if !strings.Contains(a.Meaning, rest) || s.AtRest != rest {
			t.Errorf("the list says %q, the snapshot %q", a.Meaning, s.AtRest)
		}
	})
}
