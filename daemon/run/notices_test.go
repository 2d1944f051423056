package run

import (
	"nightcell/alerts"
	"testing"
)

// TestFirstStep: what comes then, or explains, is left to the text.
func TestFirstStep(t *testing.T) {
	for action, want := range map[string]string{
		"": "", "Ventilate": "ventilate", "Check level, clips; lower the current.": "check level, clips", "Free disk space.": "free disk space",
		"Find the cause before resetting it: a clip off.": "find the cause before resetting it", "Switch off, then lift the cathode, then look.": "switch off",
	} {
		if got := firstStep(action); got != want {
			t.Errorf("of %q: %q, want %q", action, got, want)
		}
	}
	for _, c := range alerts.Conditions() {
		if step := firstStep(c.About().First); step == "" || len(step) > 90 {
			t.Errorf("%s: %q does not suit a subject", c, step)
		}
	}
}
