package run

import (
	"strings"
	"testing"

	"nightcell/alerts"
	"nightcell/drivers"
)

// TestModesAndOutputsMeanTheSameToAlarms: drivers and alerts may not know each other, and the run hands one's over as the other's.
func TestModesAndOutputsMeanTheSameToAlarms(t *testing.T) {
	for m := drivers.ModeUnknown; m <= drivers.Unregulated; m++ {
		if got, want := alerts.Mode(m).String(), strings.ReplaceAll(m.String(), "-", " "); got != want {
			t.Errorf("%q is %q to the alarms", want, got)
		}
	}
	for o, want := range map[drivers.Output]alerts.Output{
		drivers.OutputUnknown: alerts.OutputUnknown, drivers.OutputOff: alerts.OutputIsOff, drivers.OutputOn: alerts.OutputIsOn,
	} {
		if alerts.Output(o) != want {
			t.Errorf("%s is %d to the alarms", o, alerts.Output(o))
		}
	}
}
