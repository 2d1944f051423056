package page

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestOffsets follows Berlin's clock over the change of October 2026 (at 01:00 UTC, by
// Directive 2000/84/EC), and gives the next change as well.
func TestOffsets(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this machine: ", err)
	}
	evening := time.Date(2026, 10, 24, 20, 0, 0, 0, time.UTC)
	autumn, spring := time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC), time.Date(2027, 3, 28, 1, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		zone        *time.Location
		first, last time.Time
		want        [][2]int64
	}{
		"over the change":    {berlin, evening, evening.Add(12 * time.Hour), [][2]int64{{evening.Unix(), 7200}, {autumn.Unix(), 3600}, {spring.Unix(), 7200}}},
		"before the change":  {berlin, evening, evening.Add(time.Hour), [][2]int64{{evening.Unix(), 7200}, {autumn.Unix(), 3600}}},
		"a zone that stands": {time.FixedZone("", 5*3600+1800), evening, autumn, [][2]int64{{evening.Unix(), 19800}}},
		"no run":             {time.UTC, time.Time{}, time.Time{}, [][2]int64{{time.Time{}.Unix(), 0}}},
	} {
		if diff := cmp.Diff(c.want, offsets(c.zone, c.first, c.last)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}
