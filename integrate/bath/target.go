package bath

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// Target is what is wanted: one of the forms, and its figure.
type Target struct {
	Form  string
	Value matter.Figure
}

// The forms of a target, as they are written in a configuration. A mistake in one has the field "target." and its form.
const (
	Recover       = "recover"         // share of the metal to bring onto the cathode
	Concentration = "concentration"   // kg of metal per m3 to be left in the bath
	Deposit       = "deposit"         // kg
	Thickness     = "thickness"       // m over the cathode area, of solid metal
	Charge        = "charge"          // C
	Marginal      = "marginal_energy" // J per kg that the next gram may cost
)

func (t Target) field() string { return "target." + t.Form }

func (t Target) check(m *mistakes) {
	switch {
	case !t.Value.Known():
		m.add("target", "state one of: a share to recover, a concentration to leave, a deposit, a thickness, a charge, an energy for the next gram", "it is missing")
	case t.Form == Recover:
		m.share(t.field(), t.Value, "no more can be recovered than there is")
	default:
		m.positive(t.field(), "a value above zero is needed", t.Value)
	}
}

// Conditions is how the cell is run.
type Conditions struct {
	Current     matter.Figure // A; needed for a two-stage drawdown, and for a duration
	CathodeArea matter.Figure // m2; needed for a two-stage drawdown, a thickness, and a current density
	CellVoltage matter.Figure // V; needed for a marginal energy
	PH          matter.Figure // of the catholyte, as stated; measurements are held against it
	Temperature matter.Figure // K, likewise
	Reached     float64       // K that the bath is expected to reach, for the stirring where no Temperature is stated; 0: unknown
}

// kelvin is the temperature at which stirring brings metal; 0: unknown.
func (c Conditions) kelvin() float64 {
	if c.Temperature.Known() {
		return c.Temperature.Value
	}
	return c.Reached
}

// Meter is how well the supply counts: half-widths as makers state them.
type Meter struct {
	GainRelative  float64
	OffsetAmperes float64
}

// scenario is one set of truths under which the target is solved.
type scenario struct {
	amount  float64 // mol
	batch   Batch
	molar   float64 // kg/mol
	density float64 // kg/m3
	amperes float64 // 0: not stated
	volts   float64
	target  Target
	anode   AtAnode
}

// outcome is what a scenario leads to.
type outcome struct {
	charge  float64 // C
	seconds float64 // 0 when the current is not stated
	deposit float64 // mol
	lost    float64 // mol that the anode took or that crossed the separator
}

// current returns the stated current, or 1 A where only the charge matters.
func (s *scenario) current() float64 {
	if s.amperes > 0 {
		return s.amperes
	}
	return 1
}

// asks returns the mol of metal that a target wants on the cathode, out of a stock in mol, for one that says it.
func (s *scenario) asks(stock float64) (mol float64, ok bool) {
	mass := s.target.Value.Value
	switch s.target.Form {
	case Recover:
		return mass * stock, true
	case Thickness:
		mass *= s.batch.Area * s.density
	case Deposit:
	default:
		return 0, false
	}
	return mass / s.molar, true
}

// rest returns the mol of metal in the bath at which the target is reached, for one that says what is to be left.
func (s *scenario) rest() float64 {
	if s.target.Form == Concentration {
		return s.target.Value.Value * s.batch.Volume / s.molar
	}
	needed := s.volts * s.batch.perMole() / (s.molar * s.target.Value.Value) // the efficiency at which a kilogram costs that much
	return needed * s.current() / s.batch.perMole() / s.batch.rate()
}

// end is rest, where the bath begins above it.
func (s scenario) end() (float64, error) {
	value, end := s.target.Value.Value, s.rest()
	if s.target.Form == Marginal {
		if first := s.volts * s.batch.perMole() / (s.molar * s.batch.Efficiency); first >= value {
			return 0, fmt.Errorf("at %.3g V even the first gram costs %.3g kWh/kg, which is not below %.3g kWh/kg", s.volts, first/3.6e6, value/3.6e6)
		} else if end >= s.amount {
			return 0, fmt.Errorf("the bath is so poor that the next gram already costs more than %.3g kWh/kg", value/3.6e6)
		}
	} else if end >= s.amount {
		return 0, fmt.Errorf("the bath has %.3g g/L to begin with, which is not above %.3g g/L", s.amount*s.molar/s.batch.Volume, value)
	}
	return end, nil
}

// solve finds charge, time and deposit.
func (s scenario) solve() (outcome, error) {
	amperes := s.current()
	var o outcome
	switch s.target.Form {
	case Charge:
		o.seconds = s.target.Value.Value / amperes
		o.deposit = s.batch.Won(s.amount, amperes, o.seconds)
	case Recover, Deposit, Thickness:
		won, _ := s.asks(s.amount)
		if won > s.amount && !s.anode.Soluble {
			return o, fmt.Errorf("%.3g g are wanted, and the bath holds %.3g g", won*s.molar*1e3, s.amount*s.molar*1e3)
		}
		o.deposit, o.seconds = won, s.batch.TimeToWin(s.amount, won, amperes)
	default:
		end, err := s.end()
		if err != nil {
			return o, err
		}
		o.deposit, o.seconds = s.amount-end, s.batch.Time(s.amount, end, amperes)
	}
	if math.IsInf(o.seconds, 0) {
		return o, s.unreachable(o.deposit)
	}
	if s.batch.aside() != 0 {
		won, lost := s.batch.Take(s.amount, amperes, o.seconds)
		o.lost = lost
		if s.target.Form == Concentration || s.target.Form == Marginal {
			o.deposit = won
		}
	}
	o.charge = o.seconds * amperes
	if s.target.Form == Charge {
		o.charge = s.target.Value.Value
	}
	if s.amperes == 0 {
		o.seconds = 0
	}
	return o, nil
}

// unreachable says why no charge gets there.
func (s scenario) unreachable(wanted float64) error {
	switch {
	case s.anode.Soluble:
		return fmt.Errorf("the anode gives back about what the cathode takes, so this bath is never left so poor; state a deposit, a thickness or a charge")
	case s.batch.Anode <= 0 && s.batch.Crossing > 0:
		return fmt.Errorf("%.3g g are wanted, and of the %.3g g in the bath too much crosses the separator before the cathode has them; ask for less", wanted*s.molar*1e3, s.amount*s.molar*1e3)
	case s.batch.Anode > 0:
		if empty := s.batch.Time(s.amount, 0, s.current()); !math.IsInf(empty, 1) {
			a := s.anode
			return fmt.Errorf("%.3g g are wanted, and the cathode gets %.3g g of the %.3g g in the bath: the anode takes the rest as %s, with %.3g %% to %.3g %% of its charge (%s); divide the cell, keep the oxide from forming and state the loss at the anode, or ask for less",
				wanted*s.molar*1e3, s.batch.Won(s.amount, s.current(), empty)*s.molar*1e3, s.amount*s.molar*1e3, a.Oxide.Formula, 100*a.Share.Low, 100*a.Share.High, a.Share.Source)
		}
	}
	return fmt.Errorf("the last trace never comes out: less and less of the current deposits metal; leave some in the bath")
}

// wonBy returns the mol of metal that a charge in C wins, and what is then left.
func (s scenario) wonBy(charge float64) (won, left float64) {
	won, lost := s.batch.Take(s.amount, s.current(), charge/s.current())
	if left = s.amount - won - lost; left < 1e-13*s.amount { // rounding
		left = 0
	}
	return won, left
}
