package bath

import "math"

// Rival is the account of the catholyte as it would stand without an entry that
// contradicted the books and that nobody has confirmed. It follows the charge and the
// later entries beside the account with the entry; the earlier of the two targets acts.
type Rival struct {
	Kind string // of the entry; empty: there is none
	By   string // who wrote it
	Book Book
}

// Is reports whether an entry waits to be confirmed.
func (r Rival) Is() bool { return r.Kind != "" }

// Rival returns what waits to be confirmed.
func (d *Drawdown) Rival() Rival { return d.state.Rival }

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
	if asked, ok := s.asks(book.Stock()); ok && s.batch.Anode != 0 {
		seconds = s.batch.TimeToWin(book.Metal(), asked-book.Confirmed(), amperes)
	} else {
		seconds = s.batch.Time(book.Metal(), p.endNow(book, amperes), amperes)
	}
	return seconds * amperes, seconds
}
