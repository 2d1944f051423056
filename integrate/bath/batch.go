package bath

import (
	"math"

	"nightcell/integrate/matter"
)

// Batch is a well-mixed bath of constant volume in front of one cathode, in
// closed form. Metal leaves it in two stages: at the rate Efficiency·I/(nF) as long as
// the bath brings that much, and at k_m·A·c, which falls exponentially, once it does not:
//
//	dN/dt = -min(Efficiency·I/(nF), k_m·A·N/V)
//
// Source: the teaching papers of Trinidad, Walsh and Gilroy (Int. J. Engng Ed. 14, 1998, 431; 21, 2005, 981), equations from memory.
type Batch struct {
	Valence      int
	Volume       float64 // m3
	Area         float64 // m2 of cathode
	MassTransfer float64 // k_m, m/s; 0 means without limit, that is a fixed efficiency
	Efficiency   float64 // above 0, up to 1
}

// rate returns the reciprocal time constant k_m·A/V in 1/s, +Inf without limit.
func (b Batch) rate() float64 {
	if b.MassTransfer == 0 {
		return math.Inf(1)
	}
	return b.MassTransfer * b.Area / b.Volume
}

func (b Batch) perMole() float64 { return float64(b.Valence) * matter.Faraday }

// Critical returns the mol of metal at which the second stage begins under a
// current in A. It is 0 without limit.
func (b Batch) Critical(amperes float64) float64 {
	return b.Efficiency * amperes / b.perMole() / b.rate()
}

// LimitingCurrent returns the current in A at which every ion that arrives is
// used, with mol of metal in the bath: n·F·k_m·A·c. +Inf without limit.
func (b Batch) LimitingCurrent(mol float64) float64 {
	if !(mol > 0) {
		return 0
	}
	return b.perMole() * b.rate() * mol
}

// Won returns the mol of metal deposited out of mol in the bath by a constant
// current in A over seconds. All arguments are at least 0; the result never exceeds mol.
func (b Batch) Won(mol, amperes, seconds float64) float64 {
	if !(mol > 0) || !(amperes > 0) || !(seconds > 0) {
		return 0
	}
	speed := b.Efficiency * amperes / b.perMole()
	critical := b.Critical(amperes)
	first, all := 0.0, mol
	if mol > critical {
		until := (mol - critical) / speed
		if seconds <= until {
			return math.Min(speed*seconds, mol)
		}
		first, seconds, mol = mol-critical, seconds-until, critical
	}
	if mol == 0 { // without limit: the first stage took it all
		return first
	}
	return math.Min(first+mol*-math.Expm1(-b.rate()*seconds), all) // the two stages can round up
}

// Time returns the seconds that a constant current in A needs to bring the bath
// from one amount of metal in mol down to another. It is +Inf if it never gets there.
func (b Batch) Time(from, to, amperes float64) float64 {
	if to >= from {
		return 0
	}
	if !(amperes > 0) || to < 0 {
		return math.Inf(1)
	}
	speed := b.Efficiency * amperes / b.perMole()
	critical := b.Critical(amperes)
	if to >= critical {
		return (from - to) / speed
	}
	first := 0.0
	if from > critical {
		first, from = (from-critical)/speed, critical
	}
	if to == 0 {
		return math.Inf(1)
	}
	return first + math.Log(from/to)/b.rate()
}

// TimeToWin returns the seconds that a constant current in A needs to win an amount
// in mol out of mol in the bath. It is the inverse of Won, to the last digits
// also where little is won out of much, which Time by the amounts left cannot be.
func (b Batch) TimeToWin(mol, won, amperes float64) float64 {
	if !(won > 0) {
		return 0
	}
	if won >= mol/2 { // what is left is then an exact difference
		return b.Time(mol, mol-won, amperes)
	}
	critical := b.Critical(amperes)
	if !(amperes > 0) {
		return math.Inf(1)
	}
	speed := b.Efficiency * amperes / b.perMole()
	if mol-critical >= won {
		return won / speed
	}
	first := math.Max(mol-critical, 0) // mol, won at full speed
	return first/speed - math.Log1p(-(won-first)/math.Min(mol, critical))/b.rate()
}

// Marginal returns the share of the current that wins metal at this moment, with
// mol in the bath: Efficiency at most, and what the bath brings at least.
func (b Batch) Marginal(mol, amperes float64) float64 {
	if !(mol > 0) {
		return 0
	}
	if !(amperes > 0) {
		return b.Efficiency
	}
	return math.Min(b.Efficiency, b.LimitingCurrent(mol)/amperes)
}
