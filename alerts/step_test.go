package alerts_test

import (
	"math"
	"strings"
	"testing"

	"nightcell/alerts"
)

func TestStepResistance(t *testing.T) {
	var s alerts.StepTest
	for i := range 5 {
		wiggle := 0.001 * float64(i%2)
		s.Before(3.500+wiggle, 3.000)
		s.After(3.450+wiggle, 2.900)
	}
	got, err := s.Result()
	if err != nil || math.Abs(got.Ohms-0.5) > 1e-9 || math.Abs(got.Amperes-0.1) > 1e-9 {
		t.Fatalf("%+v, %v; want 0.5 Ω", got, err)
	}
	// Two values 1 mV apart, 3 and 2 of 5: s = 0.548 mV, of each mean 0.245 mV, of the difference 0.346 mV over 0.1 A.
	if math.Abs(got.Uncertainty-3.46e-3) > 2e-5 {
		t.Errorf("uncertainty %.3g Ω, want 3.46 mΩ", got.Uncertainty)
	}
}

func TestStepRefusals(t *testing.T) {
	tests := []struct {
		name   string
		n      int
		after  float64
		jitter float64
		says   string
	}{
		{"too few", 2, 2.9, 0, "at least"},
		{"upwards", 5, 3.1, 0, "down"},
		{"none", 5, 3.0, 0, "down"},
		{"noise", 5, 2.999, 0.05, "noise"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var s alerts.StepTest
			for i := range tt.n {
				s.Before(3.5, 3+tt.jitter*float64(i%2))
				s.After(3.45, tt.after+tt.jitter*float64(i%2))
			}
			if _, err := s.Result(); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v, want one that says %q", err, tt.says)
			}
		})
	}
}
