// Package simulated is a bench supply with an electrolytic cell behind it, for machines without hardware: it answers
// SCPI-1999 in process or on a pseudo-terminal, obeys the physics of drivers/simulated/cell, keeps the true
// charge, deposit and energy apart from what it reports, and goes wrong on cue.
//
// # Scenario files
//
// A scenario is a TOML file that says how the night begins and what happens in it. All mistakes in a file are reported
// together, each with its line. Times are strings such as "90 s", "2 h 30 min" on the instrument's own clock; other figures are plain
// numbers whose key names the unit. testdata/scenarios/commented-example.toml shows every section:
//
//	name = "dendrite-short"
//	note = "a tree bridges the gap after four hours"
//	expect = ["hard-short"]     # conditions a watch should raise, likeliest first; empty for a quiet night
//	within = "1 min"            # how soon after the first event
//	duration = "6 h"
//
//	[supply]                    # channel 1 as the run begins
//	volts = 6.0
//	amperes = 3.0
//	output = "on"
//
//	[cell]
//	metal = "zinc"              # or "copper"
//	spread = 0.05               # seeds differ by this relative standard deviation
//
//	[[event]]
//	at = "4 h"                  # required; jitter = "1 h" moves it by up to that, by the seed
//	kind = "hard-short"         # required
//	ohms = 0.02                 # vary = 0.3 multiplies the magnitudes by 0.7 to 1.3, by the seed
//	lasts = "10 min"            # left out: for ever; repeat = "1 h" and times = 3 do it again
//
// The kinds, their parameters and defaults are listed by Kinds.
package simulated

import (
	"time"

	"nightcell/drivers"
	"nightcell/drivers/simulated/cell"
)

// CellSetup describes a cell as the run begins, in SI units.
type CellSetup = cell.Setup

// ZincCell is our scenario: 0.9 L of catholyte with 250 g of ZnSO4·7H2O (56.8 g of zinc), an aluminium cathode of 60 cm².
func ZincCell() CellSetup { return cell.Zinc() }

// CopperCell is a bath whose depletion shows in the volts.
func CopperCell() CellSetup { return cell.Copper() }

// Setup describes an instrument as the run begins.
type Setup struct {
	// Clock is the time on which everything happens; Now, if set, takes its place (virtual time in tests).
	Clock drivers.Clock
	Now   func() time.Duration
	// Seed decides noise, and what a scenario leaves to chance. Equal seeds and equal times of asking give equal answers.
	Seed int64
	// Channels, at least one; none at all means DefaultChannels.
	Channels []ChannelSetup
	// Scenario, if any, changes channel 1 and scripts the night.
	Scenario *Scenario
	// Baud paces a pseudo-terminal as ten bits a character; 0 is as fast as the machine goes.
	Baud int
	// Identity answers *IDN?; "" is an invented one.
	Identity string
	// NeedsLock refuses settings with −203 until SYSTem:KLOCk ON (SCPI-1999, volume 2) has locked the front panel.
	NeedsLock bool
}

// Identity is the invented maker, model, serial number and firmware of the default instrument.
const Identity = "EXAMPLE,PS-30-5,SIM-0001,1.0"

// ChannelSetup describes one output as the run begins.
type ChannelSetup struct {
	RangeVolts, RangeAmperes float64
	Volts, Amperes           float64 // set-points
	On                       bool
	ProtectVolts             float64 // over-voltage level
	ProtectAmperes           float64 // over-current level
	ProtectCurrent           bool    // the over-current trip is armed
	Readback                 Readback
	Cell                     *CellSetup // nil: nothing connected
	Bubbles                  float64    // V, standard deviation of the cell's own noise; a slow one, 4 s
}

// Readback is how the meter of a channel errs.
type Readback struct {
	VoltGain, AmpereGain             float64 // relative
	VoltOffset, AmpereOffset         float64 // V, A
	VoltNoise, AmpereNoise           float64 // V, A, standard deviation, white
	VoltResolution, AmpereResolution float64 // V, A; 0 is none
}

// DefaultChannels are an output that has already begun our scenario at 3 A, 5 A/dm² (nightcell never switches
// an output on, so somebody else must have), and an idle one. The meter errs within 0.1 % + 5 mA and 0.05 % + 10 mV.
func DefaultChannels() []ChannelSetup {
	zinc := ZincCell()
	meter := Readback{
		VoltGain: 2e-4, AmpereGain: 3e-4, VoltOffset: 2e-3, AmpereOffset: 8e-4,
		VoltNoise: 5e-4, AmpereNoise: 4e-4, VoltResolution: 1e-3, AmpereResolution: 1e-4,
	}
	first := ChannelSetup{
		RangeVolts: 32, RangeAmperes: 5.1, Volts: 6, Amperes: 3, On: true,
		ProtectVolts: 8, ProtectAmperes: 4, ProtectCurrent: true,
		Readback: meter, Cell: &zinc, Bubbles: 1.5e-3,
	}
	second := first
	second.Volts, second.Amperes, second.On, second.Cell, second.Bubbles = 0, 0.1, false, nil, 0
	return []ChannelSetup{first, second}
}
