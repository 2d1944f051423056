package bath

import "math"

// Standing is where a run is, at the present current.
type Standing struct {
	Deposit       float64 // kg on the cathode, by the model: from the charge alone
	Confirmed     float64 // kg on the cathode that no assay speaks against: Deposit less what assays found still in the bath. Targets count this
	Concentration float64 // kg of metal per m3 in the bath, by the model since the last assay
	Overall       float64 // efficiency so far; NaN before any charge
	Marginal      float64 // efficiency of this moment
	LoadRatio     float64 // i/i_lim; 0 without a transfer limit
	Charge        float64 // C passed
	Left          float64 // C still to pass; +Inf if the present current never gets there
	TimeLeft      float64 // s at the present current; +Inf without current
	TargetCharge  float64 // C: passed plus left, so it moves with entries and with the current
	Unconfirmed   string  // kind of the entry that waits to be confirmed; empty: none does
	TargetWith    float64 // C, likewise, by the account with that entry; TargetCharge if none waits
	TargetWithout float64 // C, by the account without it; TargetCharge if none waits
}

// Standing tells where the run is. amperes is the present current; at 0 or below,
// the charge left is that of the planned current.
func (p *Plan) Standing(amperes float64) Standing {
	book := p.Model.Catholyte()
	molar := p.scenario.molar
	s := Standing{
		Deposit:       book.Won() * molar,
		Confirmed:     book.Confirmed() * molar,
		Concentration: book.Concentration() * molar,
		Overall:       p.Model.Overall(),
		Marginal:      p.Model.Marginal(amperes),
		LoadRatio:     p.Model.LoadRatio(amperes),
		Charge:        p.Model.Charge(),
	}
	s.Left, s.TimeLeft = p.Remaining(amperes)
	s.TargetCharge = s.Charge + s.Left
	s.TargetWith, s.TargetWithout = s.TargetCharge, s.TargetCharge
	if rival := p.Model.Rival(); rival.Is() {
		if !(amperes > 0) {
			amperes = p.scenario.current()
		}
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
	running := amperes > 0
	if !running {
		amperes = p.scenario.current()
	}
	coulombs, seconds = p.remainingBy(p.Model.Catholyte(), amperes)
	if rival := p.Model.Rival(); rival.Is() {
		if c, t := p.remainingBy(&rival.Book, amperes); c < coulombs {
			coulombs, seconds = c, t
		}
	}
	if !running && seconds > 0 {
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
	case s.form.name == formRecover && b.aside() == 0:
		return (1 - s.form.value.Value) * book.Stock() // the same, without the rounding of two differences
	default:
		return book.Metal() - (asked-book.Confirmed())*(1+b.aside()*float64(b.Valence)/b.Efficiency) // below zero when the bath no longer holds enough: never reached
	}
}

// Resume replaces the model's state by a saved one, for a run that goes on.
func (p *Plan) Resume(s State) error {
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
	if p.form.name == formCharge {
		coulombs = math.Max(p.form.value.Value-p.Model.Charge(), 0)
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
