package bath

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"nightcell/integrate/matter"
)

// Anode is what is stated of the anode: whether it takes metal out of the bath or gives it back.
type Anode struct {
	Material string        // as matter.Oxide names it; "": unknown
	Soluble  bool          // of the metal itself: it dissolves
	Loss     matter.Figure // share of the charge that makes oxide of the metal; not Known: by the table of metals
}

// LossDoubt is the relative standard uncertainty of a stated loss without one. Common practice, no source.
const LossDoubt = 0.1

// dissolves is the share of its charge with which an anode of the metal dissolves. Common practice, no source: the rest
// makes oxygen or leaves slime.
var dissolves = matter.Range{Low: 0.95, High: 1, Mark: matter.Assumed, Source: "common practice, no source"}

// AtAnode is Anode settled for a metal in its medium. The zero AtAnode neither takes nor gives.
type AtAnode struct {
	Share     matter.Range // of the charge: that makes Oxide or, with a soluble anode, that dissolves metal
	Stated    bool         // Share was
	Soluble   bool
	Oxide     matter.Oxide // the zero Oxide where none is known
	Electrons int          // per atom that it takes or gives; 0: it does neither
}

// Uptake is the metal in mol that the anode takes out of the bath per faraday; below zero it gives metal back.
type Uptake struct{ Best, Low, High float64 }

// At settles what the anode does with the metal. Divided: it sees only what crosses the separator.
func (a Anode) At(metal matter.Metal, couple matter.Couple, medium matter.Medium, divided bool) AtAnode {
	oxide, known := metal.Oxide(medium, a.Material)
	at := AtAnode{Oxide: oxide, Electrons: oxide.Electrons, Stated: a.Loss.Known() && !a.Soluble, Soluble: a.Soluble}
	switch {
	case a.Soluble:
		at.Share, at.Electrons, at.Oxide = dissolves, couple.Valence, matter.Oxide{}
	case a.Loss.Known():
		half := math.Sqrt(3) * doubted(a.Loss, LossDoubt).StandardUncertainty
		at.Share = matter.Range{Low: max(a.Loss.Value-half, 0), High: min(a.Loss.Value+half, 1), Mark: a.Loss.Mark, Source: "stated"}
	case known && divided:
		at.Share = oxide.Divided
	case known:
		at.Share = oxide.Undivided
	}
	return at
}

// Uptake turns the share into metal.
func (a AtAnode) Uptake() Uptake {
	if !a.Share.Known() || a.Electrons == 0 {
		return Uptake{}
	}
	per := 1 / float64(a.Electrons)
	if a.Soluble {
		return Uptake{-a.Share.Middle() * per, -a.Share.High * per, -a.Share.Low * per}
	}
	return Uptake{a.Share.Middle() * per, a.Share.Low * per, a.Share.High * per}
}

// Doubt is how far the truth lies from the best value, mol per faraday, where it is anywhere in the range (rectangular, JCGM 100, 4.3.7); the
// best need not be the middle.
func (u Uptake) Doubt() float64 {
	if !(u.High > u.Low) {
		return 0
	}
	return math.Sqrt((math.Pow(u.High-u.Best, 3) + math.Pow(u.Best-u.Low, 3)) / 3 / (u.High - u.Low))
}

// mark is that of the range behind an uptake, none where there is no uptake.
func (u Uptake) mark(r matter.Range) matter.Mark {
	if u == (Uptake{}) {
		return matter.Unmarked
	}
	return r.Mark
}

// check adds what is wrong with what is stated.
func (a Anode) check(m *mistakes, s Settled) {
	if !a.Loss.Known() {
		return
	}
	_, known := s.Metal.Oxide(s.Medium, a.Material)
	switch {
	case !(a.Loss.Value >= 0 && a.Loss.Value <= 1):
		m.add("anode-loss", "a share from 0 % to 100 % is needed, such as 20 % ± 5 %", "it is %.4g %%", a.Loss.Value*100)
	case a.Soluble && a.Loss.Value > 0:
		m.add("anode-loss", "leave it out, or say that the anode is not soluble", "an anode of the metal gives metal back and takes none")
	case !known && a.Loss.Value > 0 && s.Metal.Element.Name != "":
		m.add("anode-loss", "leave it out", "no oxide of %s is known that an anode takes out of a bath", s.Metal.Element.Name)
	}
}

// anodeDoubt is the standard uncertainty in kg of what the anode took by now.
func (p *Plan) anodeDoubt(b *Book) float64 {
	return b.Uptake.Doubt() * math.Max(p.Model.Charge(), 0) / matter.Faraday * p.scenario.molar
}

// assayAnode gives the anode its part of the mol that an assay finds beyond the account, or missing: by its doubt
// beside that of the deposit and of the contents, and within its range. The rest is Book.find's.
func (p *Plan) assayAnode(b *Book, found float64) {
	charge, own := p.Model.Charge(), p.anodeDoubt(b)
	b.AssayedAt = charge
	if !(own > 0) {
		return
	}
	other := math.Hypot(p.Amount.StandardUncertainty, b.Won()*p.scenario.molar*p.Efficiency.Relative())
	part := own * own / (own*own + other*other)
	mol := b.Anode() - part*found
	mol = max(b.Uptake.Low*charge/matter.Faraday, min(mol, b.Uptake.High*charge/matter.Faraday))
	compensate(&b.OnAnode, &b.AnodeTail, mol-b.Anode())
	b.Uptake.Best = mol * matter.Faraday / charge
}

// AtAnode tells whether an entry is about the anode and not about the cathode.
func (e Entry) AtAnode() bool {
	return e.Kind == EntrySludge || strings.Contains(strings.ToLower(e.Words[Electrode]), "anode")
}

// anodeMetal returns the mol of metal that an entry finds on the anode, or collected as sludge; below zero what a soluble anode gave.
// ok is false where a weighing tells nothing yet, or nothing that is followed.
func (p *Plan) anodeMetal(e Entry) (mol float64, ok bool, err error) {
	n, metal := e.Numbers, p.Metal.String()
	kilograms, weighed := n[Mass]
	if after, has := n[MassAfter]; has && !weighed {
		blank, known := n[MassBefore]
		if !known {
			blank = p.Model.state.AnodeBlank
		}
		kilograms, weighed = after-blank, known || blank > 0
	} else if p.Anode.Soluble && weighed && e.Kind == EntryWeighing {
		return 0, false, errors.New("an anode that dissolves leaves nothing to weigh but itself: state before and after")
	}
	share, assayed := n[AssayRatio]
	switch {
	case !weighed:
		return 0, false, nil
	case assayed && !(share > 0 && share <= 1):
		return 0, false, fmt.Errorf("a share of %.4g %% is not possible: it is that of the metal in what was weighed, above 0 %% and up to 100 %%", share*100)
	case assayed:
	case e.Kind == EntryWeighing && p.Anode.Soluble:
		share = 1
	case p.Anode.Oxide.Formula != "":
		oxide, _ := matter.ParseFormula(p.Anode.Oxide.Formula) // a test reads the table
		share, _ = oxide.MassFraction(metal)
	case e.Kind == EntrySludge:
		return 0, false, fmt.Errorf("the share of %s in the sludge is needed, such as assay=30 %%", p.Metal.Element.Name)
	default:
		return 0, false, nil
	}
	return kilograms * share / p.scenario.molar, true, nil
}

// bookAnode books a weighed anode, which says what the anode took both ways, or sludge, which says how much it took at least.
// What it took before the last assay moves no metal of the bath, which was measured then: it explains what was unaccounted for.
func (p *Plan) bookAnode(e Entry) (note string, err error) {
	if blank, ok := e.Numbers[MassBefore]; ok {
		p.Model.state.AnodeBlank = blank
	}
	mol, ok, err := p.anodeMetal(e)
	if err != nil || !ok {
		return "", err
	}
	charge, was := p.Model.Charge(), p.Model.Catholyte().Anode()
	err = p.Model.both(func(b *Book) error {
		if e.Kind == EntrySludge {
			b.Collected += mol
		} else {
			b.Weighed = mol
		}
		found := b.Weighed + b.Collected
		if e.Kind == EntrySludge {
			found = max(found, b.Anode())
		}
		more := found - b.Anode()
		compensate(&b.OnAnode, &b.AnodeTail, more)
		if charge > 0 {
			before := more * max(0, min(b.AssayedAt/charge, 1))
			b.Unaccounted += before
			b.Overcounted = max(b.Overcounted+min(before, 0), 0)
			rate := found * matter.Faraday / charge
			if e.Kind == EntrySludge {
				b.Uptake = Uptake{max(b.Uptake.Best, rate), max(b.Uptake.Low, min(rate, b.Collected*matter.Faraday/charge)), max(b.Uptake.High, rate)}
			} else {
				b.Uptake = Uptake{rate, rate, rate}
			}
		}
		b.Unaccounted += max(-b.balance(), 0) // found beyond all that was supplied
		return nil
	})
	return fmt.Sprintf("the anode took %s g of %s so far; the account had %s g", figure(p.Model.Catholyte().Anode()*p.scenario.molar*1e3), p.Metal.Element.Name, figure(was*p.scenario.molar*1e3)), err
}

// againstAnode holds what an entry finds at the anode against what the charge and the bath can have given.
func (p *Plan) againstAnode(e Entry, m Moment, add func(string, ...any)) {
	mol, ok, err := p.anodeMetal(e)
	if err != nil || !ok {
		return // said by Judge
	}
	b, molar := p.Model.Catholyte(), p.scenario.molar
	if mol < 0 != (p.Anode.Soluble && e.Kind == EntryWeighing) && mol != 0 {
		add("%s g of %s at the anode is not possible", figure(mol*molar*1e3), p.Metal.Element.Name)
		return
	}
	found := mol + b.Collected
	if e.Kind == EntrySludge {
		found += b.Weighed
	}
	most := math.Inf(1)
	if z := p.Anode.Electrons; z > 0 {
		most = math.Max(p.Model.Charge()+widest*m.ChargeDoubt, 0) / (float64(z) * matter.Faraday) * (1 + widest*BalanceDoubt)
	}
	if found > 0 {
		own := math.Hypot(p.Amount.StandardUncertainty, b.Won()*molar*p.Efficiency.Relative()) / molar
		most = min(most, b.Metal()+b.Anode()+widest*own)
	}
	if math.Abs(found) > most {
		add("%s g of %s are found at the anode, and the charge so far and the bath can account for %s g at most", figure(math.Abs(found)*molar*1e3), p.Metal.Element.Name, figure(most*molar*1e3))
	}
}
