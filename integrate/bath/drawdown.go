package bath

import (
	"cmp"
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
	BlankDoubt   float64 `json:",omitzero"` // its standard uncertainty, kg; 0: that of the balance
	AnodeBlank   float64 `json:",omitzero"` // of the anode
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
		return nil, fmt.Errorf("drawdown: %g C in %g s is not a state", s.Charge, s.Seconds)
	}
	if err := cmp.Or(s.Catholyte.check("catholyte"), s.Anolyte.check("anolyte")); err != nil {
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

// Standing is where a run is, at the present current.
type Standing struct {
	Deposit            float64 // kg on the cathode, by the model: from the charge alone
	Confirmed          float64 // kg on the cathode that no assay speaks against: Deposit less what assays found still in the bath. Targets count this
	Concentration      float64 // kg of metal per m3 in the bath, by the model and the assays
	ConcentrationDoubt float64 // its standard uncertainty
	Overall            float64 // efficiency so far; NaN before any charge
	Marginal           float64 // efficiency of this moment
	LoadRatio          float64 // i/i_lim; 0 without a transfer limit
	Charge             float64 // C passed
	Left               float64 // C still to pass; +Inf if the present current never gets there
	TimeLeft           float64 // s at the present current; +Inf without current
	TargetCharge       float64 // C: passed plus left, so it moves with entries and with the current
	TargetDoubt        float64 // C, its standard uncertainty
	Unconfirmed        string  // kind of the entry that waits to be confirmed; empty: none does
	TargetWith         float64 // C, likewise, by the account with that entry; TargetCharge if none waits
	TargetWithout      float64 // C, by the account without it; TargetCharge if none waits
}

// Standing tells where the run is. amperes is the present current; at 0 or below,
// the charge left is that of the planned current.
func (p *Plan) Standing(amperes float64) Standing {
	book, batch := p.Model.Catholyte(), p.Model.Batch()
	molar := p.scenario.molar
	s := Standing{
		Deposit:   book.Won() * molar,
		Confirmed: book.Confirmed() * molar,
		Overall:   p.Model.Overall(),
		Marginal:  batch.Marginal(book.Metal(), amperes),
		LoadRatio: batch.LoadRatio(book.Metal(), amperes),
		Charge:    p.Model.Charge(),
	}
	s.Concentration, s.ConcentrationDoubt = p.bookedConcentration()
	s.Left, s.TimeLeft = p.Remaining(amperes)
	s.TargetCharge, s.TargetDoubt = s.Charge+s.Left, p.targetDoubt(amperes)
	s.TargetWith, s.TargetWithout = s.TargetCharge, s.TargetCharge
	if rival := p.Model.Rival(); rival.Is() {
		with, _ := p.remainingBy(p.Model.Catholyte(), amperes)
		without, _ := p.remainingBy(&rival.Book, amperes)
		s.Unconfirmed, s.TargetWith, s.TargetWithout = rival.Kind, s.Charge+with, s.Charge+without
	}
	return s
}

// ConfirmedOverall is Overall with what assays found still in the bath taken off: the efficiency that goes with Confirmed.
func (s Standing) ConfirmedOverall() float64 {
	if !(s.Deposit > 0) {
		return s.Overall
	}
	return s.Overall * s.Confirmed / s.Deposit
}

// Remaining returns the charge in C and the time in s to the target from where the
// bath is now, under a steady current in A. A recovered share is that of Book.Stock,
// a deposit or a thickness that of Book.Confirmed, so additions, samples and assays move the target.
// While an entry waits to be confirmed it is the earlier of the targets with and without that entry.
func (p *Plan) Remaining(amperes float64) (coulombs, seconds float64) {
	coulombs, seconds = p.remainingBy(p.Model.Catholyte(), amperes)
	if rival := p.Model.Rival(); rival.Is() {
		if c, t := p.remainingBy(&rival.Book, amperes); c < coulombs {
			coulombs, seconds = c, t
		}
	}
	if !(amperes > 0) && seconds > 0 {
		seconds = math.Inf(1)
	}
	return coulombs, seconds
}

// now is the scenario as things stand by an account.
func (p *Plan) now(book *Book, amperes float64) scenario {
	s := p.scenario
	s.batch, s.amperes = p.Model.batchOf(book), amperes
	return s
}

// endNow returns the mol of metal in the bath at which the target, asked mol on the cathode if it says that, is reached as
// things stand, while the anode takes its share beside an efficiency that does not fall.
func (s *scenario) endNow(book *Book, asked float64, ok bool) float64 {
	switch b := &s.batch; {
	case !ok:
		return s.rest()
	case s.target.Form == Recover && b.aside() == 0:
		return (1 - s.target.Value.Value) * book.Stock() // the same, without the rounding of two differences
	default:
		return book.Metal() - (asked-book.Confirmed())*(1+b.aside()*float64(b.Valence)/b.Efficiency) // below zero when the bath no longer holds enough: never reached
	}
}

// Resume replaces the model's state by a saved one, for a run that goes on.
func (p *Plan) Resume(s State) error {
	for _, b := range []*Book{&s.Catholyte, &s.Rival.Book} {
		if b.Volume > 0 && b.Doubt == (Doubt{}) { // saved before a book had one
			b.Doubt = p.doubtOf()
		}
	}
	model, err := Restore(s)
	if err != nil {
		return err
	}
	p.Model = model
	return nil
}

// Rival is the account of the catholyte as it would stand without an entry that
// contradicted the books and that nobody has confirmed. It follows the charge and the
// later entries beside the account with the entry; the earlier of the two targets acts.
type Rival struct {
	Kind string // of the entry; empty: there is none
	By   string // who wrote it
	Book Book
}

// Is reports whether an entry waits to be confirmed.
func (r *Rival) Is() bool { return r.Kind != "" }

// Rival is what waits to be confirmed.
func (d *Drawdown) Rival() *Rival { return &d.state.Rival }

// both lets change act on the account and, while there is one, on its rival; on neither if one refuses.
func (d *Drawdown) both(change func(*Book) error) error {
	s := d.state
	if err := change(&s.Catholyte); err != nil {
		return err
	}
	if s.Rival.Is() {
		if err := change(&s.Rival.Book); err != nil {
			return err
		}
	}
	d.state = s
	return nil
}

// without returns the plan as it would stand without the entry that waits to be confirmed.
func (p *Plan) without() *Plan {
	t := p.trial()
	if r := t.Model.state.Rival; r.Is() {
		t.Model.state.Catholyte, t.Model.state.Rival = r.Book, Rival{}
	}
	return t
}

// trial returns a plan whose model may be changed without changing p's.
func (p *Plan) trial() *Plan {
	t, model := *p, *p.Model
	t.Model = &model
	return &t
}

// remainingBy is Remaining by one account: without current, that of the planned one.
func (p *Plan) remainingBy(book *Book, amperes float64) (coulombs, seconds float64) {
	if !(amperes > 0) {
		amperes = p.scenario.current()
	}
	if p.order.Target.Form == Charge {
		coulombs = math.Max(p.order.Target.Value.Value-p.Model.Charge(), 0)
		return coulombs, coulombs / amperes
	}
	s := p.now(book, amperes)
	asked, ok := s.asks(book.Stock())
	if ok && s.batch.aside() != 0 {
		seconds = s.batch.TimeToWin(book.Metal(), asked-book.Confirmed(), amperes)
	} else {
		seconds = s.batch.Time(book.Metal(), s.endNow(book, asked, ok), amperes)
	}
	return seconds * amperes, seconds
}
