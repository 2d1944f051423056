package bath

import (
	"errors"
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// The kinds of entry that concern the bath.
const (
	EntryAddition    = "addition"
	EntryDose        = "dose" // acid or base: booked as an addition
	EntryWater       = "water"
	EntrySample      = "sample"
	EntryAssay       = "assay"
	EntryWeighing    = "weighing" // of the cathode, or of the anode where Electrode says so
	EntrySludge      = "sludge"
	EntryDried       = "dried" // the deposit, weighed once more on its way to constant mass
	EntryElectrode   = "electrode"
	EntryMeasurement = "measurement"
	EntryConfirm     = "confirm" // another person stands by an entry that contradicted the books
)

// The names of an entry's figures and words, as they stand in the run log, SI unit last.
const (
	Formula      = "formula"   // a word
	Electrode    = "electrode" // a word
	Mass         = "mass_kilograms"
	AssayRatio   = "assay_ratio"
	LiquidVolume = "volume_cubic_metres"
	PerMass      = "concentration_kilograms_per_cubic_metre"
	PerMassDoubt = "concentration_plus_minus_kilograms_per_cubic_metre"
	PerMole      = "concentration_moles_per_cubic_metre"
	PerMoleDoubt = "concentration_plus_minus_moles_per_cubic_metre"
	MassBefore   = "before_kilograms"
	// MassBeforeDoubt is its half-width.
	MassBeforeDoubt = "before_plus_minus_kilograms"
	MassAfter       = "after_kilograms"
	CathodeArea     = "area_square_metres"
	EnteredKelvin   = "temperature_kelvins"
	EnteredPH       = "ph"
)

// Entry is what a person found at the bath or did to it, in SI units.
type Entry struct {
	Kind    string
	By      string
	Numbers map[string]float64
	Words   map[string]string
}

// Outcome is how an entry is booked. It goes into the run log with the entry, so that a replay books alike.
type Outcome string

// The outcomes.
const (
	Plain     Outcome = ""          // it agrees with the books, or moves none
	Held      Outcome = "held"      // it contradicts them: booked, and the books before are kept beside until it is confirmed
	Confirmed Outcome = "confirmed" // it confirms a held entry: the books before are dropped
	Withdrawn Outcome = "withdrawn" // it agrees with the books before a held entry and not with those after: the held entry is taken back
)

// Book books an entry. Nothing is booked when there is an error. The note, which may be
// empty, says what the person who wrote the entry should know.
func (p *Plan) Book(e Entry, o Outcome) (note string, err error) {
	before := p.Model.State()
	defer func() {
		if err != nil {
			p.Model.state = before
		}
	}()
	state := &p.Model.state
	switch o {
	case Held:
		kept := before.Rival
		if !kept.Is() { // of several doubtful entries, the books before the first are kept
			kept = Rival{Kind: e.Kind, By: e.By, Book: before.Catholyte}
		}
		state.Rival = Rival{}
		if note, err = p.book(e); err == nil {
			p.Model.state.Rival = kept
		}
		return note, err
	case Confirmed:
		state.Rival = Rival{}
	case Withdrawn:
		if state.Rival.Is() {
			state.Catholyte, state.Rival = state.Rival.Book, Rival{}
		}
	}
	return p.book(e)
}

func (p *Plan) book(e Entry) (note string, err error) {
	n, before := e.Numbers, p.Model.State()
	switch e.Kind {
	case EntryAddition:
		if note, err = p.bookAddition(e); err == nil {
			err = p.doubted(e, before)
		}
		return note, err
	case EntryDose:
		if _, err = p.bookAddition(e); err == nil { // that it holds none of the metal is not worth saying
			err = p.doubted(e, before)
		}
	case EntryWater:
		if err = p.Model.both(func(b *Book) error { return b.Water(n[LiquidVolume]) }); err == nil {
			err = p.doubted(e, before)
		}
	case EntrySample:
		err = p.Model.both(func(b *Book) error { return p.sample(b, n[LiquidVolume]) })
	case EntryAssay:
		err = p.bookAssay(p.Assayed(e))
	case EntrySludge, EntryWeighing:
		if e.AtAnode() {
			return p.bookAnode(e)
		}
		if blank, ok := n[MassBefore]; ok {
			p.SetBlank(matter.GivenFigure(blank, n[MassBeforeDoubt]/math.Sqrt(3)))
		}
	case EntryElectrode:
		if area, ok := n[CathodeArea]; ok && !e.AtAnode() {
			before.Area = area
			var model *Drawdown
			if model, err = Restore(before); err == nil {
				*p.Model = *model
			}
		}
	}
	return "", err
}

// bookAddition books salt or solution. With a formula, a concentration is that of the salt; without, of the metal.
func (p *Plan) bookAddition(e Entry) (note string, err error) {
	n, volume := e.Numbers, e.Numbers[LiquidVolume]
	_, perMass := n[PerMass]
	mol, perMole := n[PerMole]
	share, assayed := n[AssayRatio]
	dissolved, weighed, formula := perMass || perMole, n[Mass] != 0, e.Words[Formula]
	switch {
	case weighed && dissolved:
		return "", errors.New("both a mass and a concentration are stated; state the mass, or the concentration with the volume of the solution")
	case assayed && formula == "":
		return "", errors.New("an assay needs the formula of which it is the share, such as formula=ZnSO4·7H2O")
	case weighed && formula == "":
		return "", errors.New("an addition by mass needs the formula of what was added, such as formula=ZnSO4·7H2O")
	case dissolved && !(volume > 0):
		return "", errors.New("a concentration needs the volume of the solution that was added, such as volume=100 mL")
	case formula == "" && !dissolved:
		return "no metal was booked: the addition states no concentration of it", p.AddMetal(0, volume)
	case formula == "" && perMole:
		return "", p.AddMetal(mol*p.scenario.molar*volume, volume)
	case formula == "":
		return "", p.AddMetal(n[PerMass]*volume, volume)
	}
	f, err := matter.ParseFormula(formula)
	if err != nil {
		return "", err
	}
	molar, _ := f.MolarMass()
	kilograms := n[Mass]
	switch {
	case !weighed && !dissolved:
		return "no metal was booked: the addition states neither the mass of " + f.String() + " nor its concentration", p.AddMetal(0, volume)
	case perMole:
		kilograms = mol * volume * molar
	case perMass:
		kilograms = n[PerMass] * volume
	}
	if !assayed {
		share = 1
	}
	switch {
	case !(share > 0 && share <= 1):
		return "", fmt.Errorf("an assay of %.4g %% is not possible: it is the share of %s in what was weighed, above 0 %% and up to 100 %%", share*100, f)
	case !(kilograms > 0):
		return "", fmt.Errorf("addition of %s: a mass above zero is needed, not %g g", f, kilograms*1e3)
	case f.Count(p.Metal.String()) == 0:
		note = fmt.Sprintf("no metal was booked: %s holds no %s", f, p.Metal.Element.Name)
	}
	return note, p.AddMetal(kilograms*share*f.Count(p.Metal.String())/molar*p.scenario.molar, volume)
}

// AddMetal books kg of dissolved metal put into the catholyte with m3 of liquid.
func (p *Plan) AddMetal(metal, volume float64) error {
	return p.Model.both(func(b *Book) error { return b.Add(metal/p.scenario.molar, volume) })
}

// sample takes m3 out of a compartment, and of its errors what goes with them.
func (p *Plan) sample(b *Book, volume float64) error {
	mol, err := b.Sample(volume)
	if err == nil {
		rest := b.Volume / (b.Volume + volume)
		p.turn(b, rest, mol/volume*(1-rest), 0, 1)
	}
	return err
}

// Deposit is the metal on the cathode by the model, kg.
func (p *Plan) Deposit() float64 { return p.Model.Catholyte().Won() * p.scenario.molar }
