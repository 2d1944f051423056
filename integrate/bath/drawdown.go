package bath

import (
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// Drawdown follows a bath under the actual current, step by step. Within a step
// the current counts as constant and Batch's closed form is used, so the length of the
// steps does not matter as long as the current is steady. Use NewDrawdown or Restore.
type Drawdown struct {
	state State
}

// State is everything that a Drawdown knows. A Drawdown restored from it goes on bit-identically.
type State struct {
	Valence      int
	Efficiency   float64
	MassTransfer float64 // m/s; 0: without limit
	Area         float64 // m2 of cathode
	Catholyte    Book    // the only compartment of an undivided cell
	Anolyte      Book
	Rival        Rival   `json:",omitzero"`
	Blank        float64 `json:",omitzero"` // kg that the electrode weighed before, as entered last; 0: not entered
	AnodeBlank   float64 `json:",omitzero"` // likewise of the anode
	Charge       float64 // C, and the rounding that the sum lost:
	ChargeTail   float64
	Seconds      float64 // under current
}

// NewDrawdown starts with mol of metal in a batch. The error says what is out of range.
func NewDrawdown(b Batch, mol float64) (*Drawdown, error) {
	return Restore(State{
		Valence: b.Valence, Efficiency: b.Efficiency, MassTransfer: b.MassTransfer, Area: b.Area,
		Catholyte: Book{Volume: b.Volume, Supplied: mol, Uptake: Uptake{b.Anode, b.Anode, b.Anode}, Crossing: Uptake{b.Crossing, b.Crossing, b.Crossing}},
	})
}

// Restore makes a Drawdown that goes on from a saved state.
func Restore(s State) (*Drawdown, error) {
	switch {
	case s.Valence < 1 || s.Valence > 8:
		return nil, fmt.Errorf("drawdown: valence %d is not from 1 to 8", s.Valence)
	case !(s.Efficiency > 0 && s.Efficiency <= 1):
		return nil, fmt.Errorf("drawdown: efficiency %g is not above 0 and up to 1", s.Efficiency)
	case !(s.MassTransfer >= 0) || math.IsInf(s.MassTransfer, 0):
		return nil, fmt.Errorf("drawdown: mass transfer %g m/s is below zero", s.MassTransfer)
	case s.MassTransfer > 0 && !(s.Area > 0):
		return nil, fmt.Errorf("drawdown: a cathode area above zero is needed with a mass transfer, not %g m2", s.Area)
	case !(s.Catholyte.Volume > 0):
		return nil, fmt.Errorf("drawdown: the bath volume %s is not above zero", quantity.Short(quantity.Volume, s.Catholyte.Volume, 4))
	case math.IsNaN(s.Charge+s.ChargeTail) || math.IsInf(s.Charge+s.ChargeTail, 0) || !(s.Seconds >= 0):
		return nil, fmt.Errorf("drawdown: %g C in %g s is no state", s.Charge, s.Seconds)
	}
	if err := s.Catholyte.check("catholyte"); err != nil {
		return nil, fmt.Errorf("drawdown: %w", err)
	}
	if err := s.Anolyte.check("anolyte"); err != nil {
		return nil, fmt.Errorf("drawdown: %w", err)
	}
	if err := s.Rival.Book.check("catholyte without the unconfirmed entry"); err != nil || s.Rival.Is() && !(s.Rival.Book.Volume > 0) {
		return nil, fmt.Errorf("drawdown: the account without the unconfirmed %s is none: %w", s.Rival.Kind, err)
	}
	return &Drawdown{state: s}, nil
}

// State returns a copy of the whole state.
func (d *Drawdown) State() State { return d.state }

// Batch returns the closed form that holds now.
func (d *Drawdown) Batch() Batch {
	return d.batchOf(&d.state.Catholyte)
}

// batchOf is the closed form that holds for an account.
func (d *Drawdown) batchOf(b *Book) Batch {
	s := &d.state
	return Batch{Valence: s.Valence, Volume: b.Volume, Area: s.Area, MassTransfer: s.MassTransfer, Efficiency: s.Efficiency, Anode: b.Uptake.Best, Crossing: b.Crossing.Best}
}

// Step passes a charge in C over seconds and returns the mol of metal won. The
// charge is counted as it is; a step of zero or negative charge, or of no duration, wins
// nothing, and figures that are not finite change nothing. It does not allocate.
func (d *Drawdown) Step(coulombs, seconds float64) (depositMol float64) {
	if math.IsNaN(coulombs) || math.IsInf(coulombs, 0) || !(seconds >= 0) || math.IsInf(seconds, 0) {
		return 0
	}
	s := &d.state
	compensate(&s.Charge, &s.ChargeTail, coulombs)
	s.Seconds += seconds
	if coulombs <= 0 || seconds == 0 {
		return 0
	}
	if s.Rival.Is() {
		d.take(&s.Rival.Book, coulombs/seconds, seconds)
	}
	return d.take(&s.Catholyte, coulombs/seconds, seconds)
}

// take books what cathode and anode take out of a compartment, and returns the mol of metal won.
func (d *Drawdown) take(b *Book, amperes, seconds float64) (won float64) {
	batch := d.batchOf(b)
	won, lost := batch.Take(b.Metal(), amperes, seconds)
	b.deposit(won)
	b.leave(batch, lost, amperes*seconds/matter.Faraday)
	return won
}

// Correct books a charge in C, positive or negative, that was found after the fact,
// such as when a gap is settled, and returns the mol of metal that the deposit gains
// or loses by it. When it flowed is unknown, so it counts at the overall efficiency so far.
func (d *Drawdown) Correct(coulombs float64) (depositMol float64) {
	if math.IsNaN(coulombs) || math.IsInf(coulombs, 0) {
		return 0
	}
	charge, perMole := d.Charge(), float64(d.state.Valence)*matter.Faraday
	d.Step(coulombs, 0) // counts the charge and wins nothing
	correct := func(book *Book) float64 {
		efficiency := d.state.Efficiency
		if charge > 0 {
			efficiency = book.Won() * perMole / charge
		}
		mol := coulombs * efficiency / perMole
		mol = math.Max(math.Min(mol, book.Metal()), -book.Won())
		book.deposit(mol)
		batch := d.batchOf(book)
		if charge > 0 {
			batch.Anode, batch.Crossing = book.Anode()*matter.Faraday/charge, book.Across()*matter.Faraday/charge
		}
		faradays := coulombs / matter.Faraday
		book.leave(batch, min(faradays*batch.aside(), book.Metal()), faradays)
		return mol
	}
	if d.state.Rival.Is() {
		correct(&d.state.Rival.Book)
	}
	return correct(&d.state.Catholyte)
}

// Catholyte returns the account of the compartment with the cathode, for entries and for reading.
func (d *Drawdown) Catholyte() *Book { return &d.state.Catholyte }

// Anolyte returns the account of the other compartment. It is empty in an undivided cell.
func (d *Drawdown) Anolyte() *Book { return &d.state.Anolyte }

// Charge returns the coulombs passed so far.
func (d *Drawdown) Charge() float64 { return d.state.Charge + d.state.ChargeTail }

// Overall returns the share of all charge so far that won metal, NaN before any charge.
func (d *Drawdown) Overall() float64 {
	charge := d.Charge()
	if !(charge > 0) {
		return math.NaN()
	}
	return d.state.Catholyte.Won() * float64(d.state.Valence) * matter.Faraday / charge
}

// Marginal returns the share of the present current in A that wins metal.
func (d *Drawdown) Marginal(amperes float64) float64 {
	return d.Batch().Marginal(d.state.Catholyte.Metal(), amperes)
}

// LoadRatio returns i/i_lim at a current in A: 0 without a transfer limit, +Inf in an empty bath.
func (d *Drawdown) LoadRatio(amperes float64) float64 {
	if d.state.MassTransfer == 0 || !(amperes > 0) {
		return 0
	}
	return amperes / d.Batch().LimitingCurrent(d.state.Catholyte.Metal())
}

// Retune changes what the rest of the run is expected to do, after a fit to assays
// or when an electrode was changed. A mass transfer of 0 means without limit.
func (d *Drawdown) Retune(efficiency, massTransfer, area float64) error {
	s := d.state
	s.Efficiency, s.MassTransfer, s.Area = efficiency, massTransfer, area
	tuned, err := Restore(s)
	if err != nil {
		return err
	}
	d.state = tuned.state
	return nil
}
