package watch

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestStepTellsResistance clogs the diaphragm between two steps: the second says that
// the rise is ohmic, and nothing was ever raised.
func TestStepTellsResistance(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+`
[[event]]
at = "3 h"
kind = "clogging"
ohms_per_hour = 0.15
growth = "100 h"
`)
		c := zincCell(t, b, t.TempDir(), `may = ["step"]`, `recover = "68 %"`, "")
		order := control.StepOrder{CellOrder: control.CellOrder{Cell: "zinc-1", By: "test"}, Share: 0.05}
		stop := watchtest.Start(t, c)
		<-time.After(2*time.Hour + 55*time.Minute)
		first, err := c.Step(t.Context(), order)
		if err != nil {
			t.Fatal(err)
		}
		<-time.After(2 * time.Hour)
		second, err := c.Step(t.Context(), order)
		if err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if _, alarmed := watchtest.Standing(c.Latest(), alerts.SetPointsChanged); alarmed {
			t.Error("our own step is taken for a stranger's hand")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if rise := second.Ohms - first.Ohms; math.Abs(rise-0.29) > 0.06 {
			t.Errorf("the resistance rose by %.3f Ω, the diaphragm's by about 0.29 Ω", rise)
		}
		share := 0
		if _, after, ok := strings.Cut(second.Text, "about "); ok {
			if _, err := fmt.Sscanf(after, "%d %% of the rise", &share); err != nil {
				t.Errorf("reading %q: %v", after, err)
			}
		}
		if share < 70 {
			t.Errorf("the second step says %q; the rise is the diaphragm's", second.Text)
		}
		if got := b.Sent(); len(got) != 2 || got[0] != "CURR 2.8500" || got[1] != "CURR 2.7075" {
			t.Errorf("sent %q, want two steps of 5 %% down", got)
		}
	})
}

// TestStepIsRefused lists what a step needs.
func TestStepIsRefused(t *testing.T) {
	for _, tt := range []struct {
		name, lines string
		share       float64
		want        string
	}{
		{"without permission", "", 0.05, "does not permit"},
		{"upwards", `may = ["step"]`, -0.05, "choose a share"},
		{"too far", `may = ["step"]`, 0.5, "choose a share"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
				c := zincCell(t, b, t.TempDir(), tt.lines, `recover = "68 %"`, "")
				stop := watchtest.Start(t, c)
				<-time.After(time.Minute)
				_, err := c.Step(t.Context(), control.StepOrder{CellOrder: control.CellOrder{Cell: "zinc-1"}, Share: tt.share})
				if err == nil || !strings.Contains(err.Error(), tt.want) {
					t.Errorf("got %v, want %q", err, tt.want)
				}
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				if got := b.Sent(); len(got) != 0 {
					t.Errorf("sent %q", got)
				}
			})
		})
	}
}
