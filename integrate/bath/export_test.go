package bath

import "nightcell/integrate/matter"

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

// AddSalt books a salt put into the catholyte with m3 of liquid that came along, and returns the kg of the plan's metal added.
func (p *Plan) AddSalt(salt Salt, volume float64) (metal float64, err error) {
	e := Entry{Kind: EntryAddition, Words: map[string]string{Formula: salt.Formula}, Numbers: map[string]float64{Mass: salt.Mass.Value, LiquidVolume: volume}}
	if salt.Assay.Known() {
		e.Numbers[AssayRatio] = salt.Assay.Value
	}
	before := p.Balance().Supplied
	_, err = p.Book(e, Plain)
	return p.Balance().Supplied - before, err
}

// TakeSample books m3 taken out of the catholyte and returns the kg of metal that went with it.
func (p *Plan) TakeSample(volume float64) (metal float64, err error) {
	before := p.Balance().Samples
	_, err = p.Book(Entry{Kind: EntrySample, Numbers: map[string]float64{LiquidVolume: volume}}, Plain)
	return p.Balance().Samples - before, err
}

// BookAssay books an assay and returns the kg of metal by which the account moved, positive if there is more than it said.
func (p *Plan) BookAssay(found matter.Figure) (difference float64, err error) {
	before := p.Balance().Bath
	err = p.bookAssay(found)
	return p.Balance().Bath - before, err
}
