//go:build unix

package scpi

import (
	"errors"
	"strings"
	"testing"
	"time"

	"nightcell/drivers"
)

// TestReadingAfterALostPlaceIsProved: a late answer that comes only after the place was
// found again shifts all that follow by one. Where volts and amperes are nearly the same
// figure the shift looks like a reading; the proof behind it tells.
func TestReadingAfterALostPlaceIsProved(t *testing.T) {
	p := newPeer()
	p.set("MEAS:VOLT?", "3.2140")
	p.set("MEAS:CURR?", "3.2200")
	d := Standard()
	d.MeasureBoth = ""
	inBubble(t, p, Settings{Dialect: d}, func(t *testing.T, c *Supply) {
		if _, err := c.Poll(t.Context()); err != nil {
			t.Fatal(err)
		}
		held := ""
		lose := true
		p.mangling(func(query, answer string) []piece {
			switch {
			case lose && strings.Contains(query, "VOLT"):
				lose, held = false, answer
				return nil
			case held != "" && query == "*IDN?":
				late := held
				held = ""
				return []piece{{0, answer}, {time.Duration(c.dialect.Quiet) + 10*time.Millisecond, late}}
			}
			return []piece{{0, answer}}
		})
		for range 4 {
			r, err := c.Poll(t.Context())
			var refused *drivers.Refusal
			if err != nil && !errors.As(err, &refused) {
				t.Fatal(err)
			}
			if err == nil && (r.Volts != 3.214 || r.Amperes != 3.22) {
				t.Errorf("a reading of %v V, %v A; the supply has 3.214 V and 3.22 A", r.Volts, r.Amperes)
			}
		}
		if lose || held != "" {
			t.Fatal("no answer came late: the test shows nothing")
		}
	})
}
