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
		_, err = p.TakeSample(n[LiquidVolume])
	case EntryAssay:
		_, err = p.BookAssay(p.Assayed(e))
	case EntrySludge, EntryWeighing:
		if e.AtAnode() {
			return p.bookAnode(e)
		}
		if blank, ok := n[MassBefore]; ok {
			p.SetBlank(matter.GivenFigure(blank, n[MassBeforeDoubt]/math.Sqrt(3)))
		}
	case EntryElectrode:
		if area, ok := n[CathodeArea]; ok && !e.AtAnode() {
			s := p.Model.State()
			err = p.Model.Retune(s.Efficiency, s.MassTransfer, area)
		}
	}
	return "", err
}

// concentration returns the kg of metal per m3 that an entry without a formula states; 0 without one.
func (p *Plan) concentration(e Entry) float64 {
	if mol, ok := e.Numbers[PerMole]; ok {
		return mol * p.scenario.molar
	}
	return e.Numbers[PerMass]
}

// bookAddition books salt or solution. With a formula, a concentration is that of the salt; without, of the metal.
func (p *Plan) bookAddition(e Entry) (note string, err error) {
	n := e.Numbers
	volume := n[LiquidVolume]
	_, perMass := n[PerMass]
	_, perMole := n[PerMole]
	dissolved, weighed := perMass || perMole, n[Mass] != 0
	salt := Salt{Formula: e.Words[Formula], Mass: matter.GivenFigure(n[Mass], 0)}
	ratio, assayed := n[AssayRatio]
	if assayed {
		salt.Assay = matter.GivenFigure(ratio, 0)
	}
	switch {
	case weighed && dissolved:
		return "", errors.New("both a mass and a concentration are stated; state the mass, or the concentration with the volume of the solution")
	case assayed && salt.Formula == "":
		return "", errors.New("an assay needs the formula of which it is the share, such as formula=ZnSO4·7H2O")
	case weighed && salt.Formula == "":
		return "", errors.New("an addition by mass needs the formula of what was added, such as formula=ZnSO4·7H2O")
	case dissolved && !(volume > 0):
		return "", errors.New("a concentration needs the volume of the solution that was added, such as volume=100 mL")
	case salt.Formula == "" && !dissolved:
		return "no metal was booked: the addition states no concentration of it", p.AddMetal(0, volume)
	case salt.Formula == "":
		return "", p.AddMetal(p.concentration(e)*volume, volume)
	}
	f, err := matter.ParseFormula(salt.Formula)
	if err != nil {
		return "", err
	}
	if dissolved {
		molar, _ := f.MolarMass()
		kilograms := n[PerMass] * volume
		if perMole {
			kilograms = n[PerMole] * volume * molar
		}
		salt.Mass = matter.GivenFigure(kilograms, 0)
	}
	if f.Count(p.Metal.String()) == 0 {
		note = fmt.Sprintf("no metal was booked: %s holds no %s", f, p.Metal.Element.Name)
	}
	if !weighed && !dissolved {
		return "no metal was booked: the addition states neither the mass of " + f.String() + " nor its concentration", p.AddMetal(0, volume)
	}
	_, err = p.AddSalt(salt, volume)
	return note, err
}

// AddSalt books a salt put into the catholyte with m3 of liquid that came along.
// It returns the kg of the plan's metal added, 0 for a salt that holds none. Only Mass and Assay of the salt count.
func (p *Plan) AddSalt(salt Salt, volume float64) (metal float64, err error) {
	f, err := matter.ParseFormula(salt.Formula)
	if err != nil {
		return 0, fmt.Errorf("addition: %w", err)
	}
	assay := 1.0
	if salt.Assay.Known() {
		assay = salt.Assay.Value
	}
	switch {
	case !(assay > 0 && assay <= 1):
		return 0, fmt.Errorf("an assay of %.4g %% is not possible: it is the share of %s in what was weighed, above 0 %% and up to 100 %%", assay*100, f)
	case !(salt.Mass.Value > 0):
		return 0, fmt.Errorf("addition of %s: a mass above zero is needed, not %g g", f, salt.Mass.Value*1e3)
	}
	molar, _ := f.MolarMass()
	metal = salt.Mass.Value * assay * f.Count(p.Metal.String()) / molar * p.scenario.molar
	return metal, p.AddMetal(metal, volume)
}

// AddMetal books kg of dissolved metal put into the catholyte with m3 of liquid.
func (p *Plan) AddMetal(metal, volume float64) error {
	return p.Model.both(func(b *Book) error { return b.Add(metal/p.scenario.molar, volume) })
}

// TakeSample books m3 taken out of the catholyte and returns the kg of metal that went with it.
func (p *Plan) TakeSample(volume float64) (metal float64, err error) {
	before := p.Model.Catholyte().Sampled
	err = p.Model.both(func(b *Book) error {
		mol, err := b.Sample(volume)
		if err == nil {
			rest := b.Volume / (b.Volume + volume)
			p.turn(b, rest, mol/volume*(1-rest), 0, 1)
		}
		return err
	})
	return (p.Model.Catholyte().Sampled - before) * p.scenario.molar, err
}

// Balance is the metal account of the catholyte in kg. Supplied + Unaccounted = Deposit + Anode + Crossed + Bath + Samples.
type Balance struct {
	Supplied, Unaccounted, Deposit, Anode, Crossed, Bath, Samples float64
}

// Balance returns the account as it stands.
func (p *Plan) Balance() Balance {
	b, molar := p.Model.Catholyte(), p.scenario.molar
	return Balance{
		Supplied:    b.Supplied * molar,
		Unaccounted: b.Unaccounted * molar,
		Deposit:     b.Won() * molar,
		Anode:       b.Anode() * molar,
		Crossed:     b.Across() * molar,
		Bath:        b.Metal() * molar,
		Samples:     b.Sampled * molar,
	}
}
