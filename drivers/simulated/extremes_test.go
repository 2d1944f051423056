package simulated

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// A number that is none, or far beyond any cell, is refused with its key, or the night that it makes can be reckoned.
func TestExtremeFiguresAreRefusedOrReckoned(t *testing.T) {
	values := []string{"nan", "inf", "-inf", "-1e300", "-1e9", "-300.0", "-1.0", "-1e-300", "0.0", "1e-300", "1e-9", "0.5", "1.0", "1e3", "1e6", "1e9", "1e300"}
	try := func(t *testing.T, key, file string) {
		t.Helper()
		s, err := ParseScenario("x.toml", []byte(file))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "x.toml:") {
				t.Errorf("%s: the error does not name its place: %v", key, err)
			}
			return
		}
		i, err := New(Setup{Scenario: s, Now: func() time.Duration { return 0 }})
		if err != nil {
			return
		}
		for _, at := range []time.Duration{0, time.Minute, time.Hour, 12 * time.Hour}[:housetest.UnderRace(3, 4)] {
			tr := i.TruthAt(1, at)
			for _, v := range []float64{tr.Charge, tr.CellCharge, tr.Energy, tr.DepositGrams, tr.Hydrogen, tr.MetalGrams, tr.Volume, tr.Temperature, tr.Volts, tr.Amperes} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%s\nat %v: %+v", file, at, tr)
				}
			}
		}
	}
	for _, k := range Kinds() {
		t.Run(k.Name, func(t *testing.T) {
			t.Parallel()
			for _, key := range append([]string{"vary"}, k.Keys...) {
				for _, v := range values {
					file := fmt.Sprintf("duration = \"12 h\"\n[[event]]\nkind = %q\nat = \"20 s\"\n%s = %s\n", k.Name, key, v)
					if k.Name == "trip" {
						file += "protection = \"over-voltage\"\n"
					}
					try(t, key, file)
				}
			}
		})
	}
	for section, of := range map[string]any{"supply": Begin{}, "cell": Bath{}} {
		t.Run(section, func(t *testing.T) {
			t.Parallel()
			for _, key := range tags(of) {
				for _, v := range values {
					try(t, key, fmt.Sprintf("duration = \"12 h\"\n[%s]\n%s = %s\n", section, key, v))
				}
			}
		})
	}
}
