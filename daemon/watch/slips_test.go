package watch

import (
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestSlipsOfThePenAreRefused enters figures that cannot be, and shows that the books stand as before.
func TestSlipsOfThePenAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour)
		before := c.Latest().Charge
		for _, tt := range []struct {
			e    control.Entry
			want string
		}{
			{control.Entry{Kind: "zero", Numbers: map[string]float64{"amperes": 3}}, "not plausible"},
			{control.Entry{Kind: "check", Numbers: map[string]float64{"factor": 10}}, "20 %"},
			{control.Entry{Kind: "measurement", Numbers: map[string]float64{"ph": 44}}, "pH"},
			{control.Entry{Kind: "remark", Text: "x", At: time.Now().Add(time.Hour)}, "in the future"},
			{control.Entry{Kind: "remark", Text: "x", At: time.Now().AddDate(-10, 0, 0)}, "before the run"},
			{control.Entry{Kind: "addition", Numbers: map[string]float64{"mass_kilograms": 0.05}}, "formula"},
		} {
			tt.e.Cell, tt.e.By = "zinc-1", "test"
			if _, err := c.Enter(t.Context(), tt.e); err == nil || !strings.Contains(err.Error(), tt.want) || !control.IsMistake(err) {
				t.Errorf("%+v: got %v, want a mistake that tells of %q", tt.e, err, tt.want)
			}
		}
		after := c.Latest().Charge
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		// A poll or two may have come meanwhile.
		if d := after.CountedCoulombs - before.CountedCoulombs; d < 0 || d > 50 || math.Abs(after.TargetCoulombs-before.TargetCoulombs) > 0.01 {
			t.Errorf("the books moved from %.3f of %.3f C to %.3f of %.3f C", before.CountedCoulombs, before.TargetCoulombs, after.CountedCoulombs, after.TargetCoulombs)
		}
	})
}
