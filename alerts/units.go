package alerts

// units name the SI unit of what is judged of a condition and of its limit, where the text tells both.
var units = map[Condition]string{
	SupplySilent: "seconds", ReadingFrozen: "seconds", GapTooLong: "seconds", TargetNear: "seconds", TimeLimit: "seconds",
	ThermalRunaway: "seconds", PushBehind: "seconds", NoticeUndeliverable: "seconds",
	HardShort: "volts", OverVoltage: "volts", LeadOff: "amperes", OverCurrent: "amperes",
	CurrentDensity: "amperes_per_square_metre", GasVentilation: "cubic_metres_per_second",
	StirrerStopped: "ratio", Depletion: "ratio",
	UncertaintyLarge: "coulombs", ChargeBehind: "coulombs", ChargeAhead: "coulombs", TargetReached: "coulombs",
	MarginalGram: "joules_per_kilogram", LogDisk: "bytes",
}

// Unit returns the SI unit of Change.Value and Change.Limit in words, "" when they have none of their own.
func (c Condition) Unit() string { return units[c] }
