package configs

import "nightcell/configs/quantity"

// Accuracy is what the maker's data sheet and a check against a better meter say of the
// readings. Gains and offsets are half-widths of an interval, as makers state them.
type Accuracy struct {
	CurrentGain       float64 // share of the reading
	CurrentOffset     float64 // A
	CurrentResolution float64 // A, one step of the display
	VoltageGain       float64 // share of the reading
	VoltageOffset     float64 // V
	VoltageResolution float64 // V
	Timebase          float64 // share, of the computer's clock
	// CurrentZero is what the meter shows with nothing connected, and is subtracted.
	// CurrentCorrection multiplies what is left. Both carry the uncertainty of their finding.
	CurrentZero       quantity.Value // A
	CurrentCorrection quantity.Value // 1
	// Assumed is set when gain or offset of the current was not stated, so that the
	// uncertainty of the charge rests on a guess.
	Assumed bool
}

func readAccuracy(t *table) Accuracy {
	a := Accuracy{
		CurrentGain:       t.measure("current_gain", quantity.Fraction, notNegative, assumedGain),
		CurrentOffset:     t.measure("current_offset", quantity.Current, notNegative, assumedCurrentOffset),
		CurrentResolution: t.measure("current_resolution", quantity.Current, notNegative, assumedCurrentStep),
		VoltageGain:       t.measure("voltage_gain", quantity.Fraction, notNegative, assumedGain),
		VoltageOffset:     t.measure("voltage_offset", quantity.Voltage, notNegative, assumedVoltageOffset),
		VoltageResolution: t.measure("voltage_resolution", quantity.Voltage, notNegative, assumedVoltageStep),
		Timebase:          t.measure("timebase", quantity.Fraction, notNegative, assumedTimebase),
		CurrentZero:       otherwise(t.stated("current_zero", anyValue, quantity.Current), 0),
		CurrentCorrection: otherwise(t.stated("current_correction", positive, quantity.Number), 1),
		Assumed:           !t.has("current_gain") || !t.has("current_offset"),
	}
	t.done()
	return a
}
