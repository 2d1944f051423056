package integrate

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Settings says how a coulometer treats long steps, and how good the supply's
// readback is. Every accuracy is given as makers state it: the half-width of
// an interval outside which no value is expected (rectangular, JCGM 100, 4.3.7). Zero means
// perfect, or unknown.
type Settings struct {
	// GapAfter is the longest step that is bridged by the trapezoid; a longer one
	// is a gap. Zero or less: no step is too long.
	GapAfter time.Duration
	// EarlierDoubts keeps the ripple out of the uncertainty of gaps, and judges the sampling by every second reading only. A log that was
	// begun before nightcell knew better is counted so to its end, so that it gives the same bits.
	EarlierDoubts bool

	GainRelative      float64 // of the current readback: 0.001 is 0.1 % of reading
	OffsetAmperes     float64
	ResolutionAmperes float64 // the step of the last digit (not half of it)

	VoltGainRelative float64
	VoltOffset       float64 // V
	VoltResolution   float64 // V, the step of the last digit

	TimebaseRelative float64 // of the clock that stamps the readings: 50e-6 is 50 ppm

	// ZeroAmperes is what the supply reported with its output off and its leads
	// open; it is subtracted from every reading. ZeroUncertainty is the standard
	// uncertainty of that figure; when positive it takes the place of OffsetAmperes.
	ZeroAmperes     float64
	ZeroUncertainty float64

	// CorrectionFactor is true current over reported current, from a check against
	// a shunt or a known load; 0 means 1. CorrectionUncertainty is its standard
	// uncertainty; when positive it takes the place of GainRelative.
	CorrectionFactor      float64
	CorrectionUncertainty float64
}

// Validate returns every mistake in s, joined: a figure that is not finite, an
// accuracy below zero, a correction that could not be one.
func (s Settings) Validate() error {
	var mistakes []error
	for _, f := range []struct {
		name    string
		value   float64
		anySign bool
	}{
		{"gain", s.GainRelative, false},
		{"offset", s.OffsetAmperes, false},
		{"resolution", s.ResolutionAmperes, false},
		{"voltage gain", s.VoltGainRelative, false},
		{"voltage offset", s.VoltOffset, false},
		{"voltage resolution", s.VoltResolution, false},
		{"timebase", s.TimebaseRelative, false},
		{"zero", s.ZeroAmperes, true},
		{"uncertainty of the zero", s.ZeroUncertainty, false},
		{"correction factor", s.CorrectionFactor, false},
		{"uncertainty of the correction factor", s.CorrectionUncertainty, false},
	} {
		switch {
		case math.IsNaN(f.value) || math.Abs(f.value) > maxMagnitude:
			mistakes = append(mistakes, fmt.Errorf("integrate: the %s is %v; a finite figure is needed", f.name, f.value))
		case f.value < 0 && !f.anySign:
			mistakes = append(mistakes, fmt.Errorf("integrate: the %s is %v; it cannot be below zero", f.name, f.value))
		}
	}
	return errors.Join(mistakes...)
}
