package alerts_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
)

// TestCatalogueNamesNoMetal: only the cell at hand has a metal, so no alarm names one beforehand.
func TestCatalogueNamesNoMetal(t *testing.T) {
	metal := regexp.MustCompile(`(?i)\b(zinc|manganese|nickel|copper|cobalt|silver|gold|tin|iron|cadmium|chromium)\b`)
	for _, c := range alerts.Conditions() {
		about := c.About()
		for _, text := range []string{about.Confirms, about.Meaning, about.First} {
			if named := metal.FindString(text); named != "" {
				t.Errorf("%s names %s: %q", c, named, text)
			}
		}
	}
}

// TestAStoppedCurrentNamesTheMetalAtHand, in the alarm and in the list that stands.
func TestAStoppedCurrentNamesTheMetalAtHand(t *testing.T) {
	l, c := zinc()
	c.Metal, c.AtRest, c.RedissolvesOff = "copper", "copper redissolves only slowly", false
	r := newRig(t)
	r.b = alerts.NewBoard(l, c)
	r.run(time.Minute)
	r.o.Output, r.o.Amperes = alerts.OutputIsOff, 0
	got := only(r.run(time.Minute), alerts.OutputOff)
	const want = "No metal is depositing: copper redissolves only slowly."
	if len(got) != 1 || got[0].Meaning != want || r.b.Meaning(alerts.OutputOff) != want {
		t.Errorf("%+v; it stands as %q", got, r.b.Meaning(alerts.OutputOff))
	}
	unstated := alerts.NewBoard(l, alerts.Chemistry{FloorVolts: c.FloorVolts})
	for _, stop := range []alerts.Condition{alerts.MainsInterruption, alerts.ProtectionTripped, alerts.OutputOff, alerts.LeadOff} {
		if text := unstated.Meaning(stop); !strings.Contains(text, "is not configured") {
			t.Errorf("%s without a metal: %q", stop, text)
		}
	}
}
