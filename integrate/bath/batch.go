package bath

import (
	"math"

	"nightcell/integrate/matter"
)

// Batch is a well-mixed bath of constant volume in front of one cathode, in
// closed form. Metal leaves it in two stages: at the rate Efficiency·I/(nF) as long as
// the bath brings that much, and at k_m·A·c, which falls exponentially, once it does not:
//
//	dN/dt = -min(Efficiency·I/(nF), k_m·A·N/V) - (Anode + Crossing)·I/F
//
// What the anode takes and what crosses a separator is constant until the bath is empty, in both stages.
// Source: the teaching papers of Trinidad, Walsh and Gilroy (Int. J. Engng Ed. 14, 1998, 431; 21, 2005, 981), equations from memory.
type Batch struct {
	Valence      int
	Volume       float64 // m3
	Area         float64 // m2 of cathode
	MassTransfer float64 // k_m, m/s; 0 means without limit, that is a fixed efficiency
	Efficiency   float64 // above 0, up to 1
	Anode        float64 // mol that the anode takes per faraday; below zero it gives metal back, see Uptake
	Crossing     float64 // mol that crosses a separator per faraday
}

// aside is the mol that leaves by another way than the cathode per faraday.
func (b Batch) aside() float64 { return b.Anode + b.Crossing }

// parted says how much of what left by other ways in so many faradays the anode took, in mol; the rest crossed.
func (b Batch) parted(lost, faradays float64) (anode, crossed float64) {
	switch {
	case b.Crossing == 0:
		return lost, 0
	case b.Anode == 0:
		return 0, lost
	case b.aside() != 0:
		faradays = math.Min(faradays, lost/b.aside()) // until the bath was empty
	}
	crossed = b.Crossing * faradays
	return lost - crossed, crossed
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

// LoadRatio returns i/i_lim at a current in A, with mol of metal in the bath: 0 without a transfer limit, +Inf in an empty bath.
func (b Batch) LoadRatio(mol, amperes float64) float64 {
	if b.MassTransfer == 0 || !(amperes > 0) {
		return 0
	}
	return amperes / b.LimitingCurrent(mol)
}

// speeds returns the mol/s that the first stage wins and that leave by other ways, here called the anode, under a current in A.
func (b Batch) speeds(amperes float64) (cathode, anode float64) {
	return b.Efficiency * amperes / b.perMole(), b.aside() * amperes / matter.Faraday
}

// Won returns the mol of metal deposited out of mol in the bath by a constant
// current in A over seconds. All arguments are at least 0; without an anode that gives metal back the result never exceeds mol.
func (b Batch) Won(mol, amperes, seconds float64) float64 {
	won, _ := b.Take(mol, amperes, seconds)
	return won
}

// Take returns the mol of metal that cathode and anode take as Won does. Below zero the anode gave metal back.
func (b Batch) Take(mol, amperes, seconds float64) (won, lost float64) {
	if !(mol >= 0) || !(amperes > 0) || !(seconds > 0) || mol == 0 && b.aside() >= 0 {
		return 0, 0
	}
	speed, anode := b.speeds(amperes)
	critical := b.Critical(amperes)
	rate, all := b.rate(), mol
	if mol > critical || mol == critical && speed+anode < 0 {
		until := math.Inf(1) // never, if the anode gives back what the cathode takes
		if speed+anode > 0 {
			until = (mol - critical) / (speed + anode)
		}
		if seconds <= until {
			lost = anode * seconds
			return min(speed*seconds, mol-lost), lost
		}
		won, lost = (mol-critical)*(speed/(speed+anode)), anode*until
		mol, seconds = critical, seconds-until
	}
	if mol == 0 && anode >= 0 { // without limit: the first stage took it all
		return won, lost
	}
	settles := -anode / rate // mol at which the anode gives back what the bath brings to the cathode
	switch {
	case settles > critical && mol <= critical: // it grows out of the second stage
		if up := math.Log((settles-mol)/(settles-critical)) / rate; seconds > up {
			won, lost, seconds = won+speed*(seconds-up), lost+anode*(seconds-up), up
		}
	case anode > 0: // until it is empty
		seconds = min(seconds, math.Log1p(mol/-settles)/rate)
	}
	won += (mol - settles) * -math.Expm1(-rate*seconds)
	if anode != 0 {
		won, lost = won-anode*seconds, lost+anode*seconds
	}
	return min(won, all-lost), lost // the two stages can round up
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
	speed, anode := b.speeds(amperes)
	critical := b.Critical(amperes)
	if (to >= critical || from > critical) && !(speed+anode > 0) {
		return math.Inf(1)
	}
	if to >= critical {
		return (from - to) / (speed + anode)
	}
	first := 0.0
	if from > critical {
		first, from = (from-critical)/(speed+anode), critical
	}
	settles := -anode / b.rate()
	if to <= settles {
		return math.Inf(1)
	}
	return first + math.Log((from-settles)/(to-settles))/b.rate()
}

// TimeToWin returns the seconds that a constant current in A needs to win an amount
// in mol out of mol in the bath. It is the inverse of Won, to the last digits
// also where little is won out of much, which Time by the amounts left cannot be.
func (b Batch) TimeToWin(mol, won, amperes float64) float64 {
	if !(won > 0) {
		return 0
	}
	if b.aside() != 0 {
		return b.timeBesideAnode(mol, won, amperes)
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

// timeBesideAnode is TimeToWin where the anode takes or gives metal too. The second stage has no closed inverse then, and Won only grows.
func (b Batch) timeBesideAnode(mol, won, amperes float64) float64 {
	if !(amperes > 0) {
		return math.Inf(1)
	}
	speed, anode := b.speeds(amperes)
	if seconds := won / speed; min(mol, mol-(speed+anode)*seconds) >= b.Critical(amperes) {
		return seconds
	}
	enough := func(seconds float64) bool { return b.Won(mol, amperes, seconds) >= won }
	high := b.Time(mol, 0, amperes)
	if math.IsInf(high, 1) { // the anode gives back: it never ends
		for high = won / speed; !enough(high) && !math.IsInf(high, 1); high *= 2 {
		}
	}
	if !enough(high) {
		return math.Inf(1)
	}
	return border(high, 0, enough)
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
