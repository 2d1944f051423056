package bath

import (
	"fmt"

	"nightcell/integrate/matter"
)

// What a person enters during a run, in kilograms and kg/m3. Each changes the
// account of the catholyte and with it the target; none changes the charge counted.

// AddSalt books a salt put into the catholyte with m3 of liquid that came along.
// It returns the kg of metal added. Only Mass and Assay of the salt count.
func (p *Plan) AddSalt(salt Salt, volume float64) (metal float64, err error) {
	f, err := matter.ParseFormula(salt.Formula)
	if err != nil {
		return 0, fmt.Errorf("addition: %w", err)
	}
	count := f.Count(p.Metal.String())
	if count == 0 {
		return 0, fmt.Errorf("addition: %s holds no %s", f, p.Metal.Element.Name)
	}
	assay := 1.0
	if salt.Assay.Known() {
		assay = salt.Assay.Value
	}
	if !(assay > 0 && assay <= 1) || !(salt.Mass.Value > 0) {
		return 0, fmt.Errorf("addition of %s: a mass above zero and an assay up to 100 %% are needed, not %g kg at %g %%", f, salt.Mass.Value, assay*100)
	}
	molar, _ := f.MolarMass()
	mol := salt.Mass.Value * assay * count / molar
	return mol * p.scenario.molar, p.Model.Catholyte().Add(mol, volume)
}

// AddMetal books kg of dissolved metal put into the catholyte with m3 of liquid.
func (p *Plan) AddMetal(metal, volume float64) error {
	return p.Model.Catholyte().Add(metal/p.scenario.molar, volume)
}

// TakeSample books m3 taken out of the catholyte and returns the kg of metal that went with it.
func (p *Plan) TakeSample(volume float64) (metal float64, err error) {
	mol, err := p.Model.Catholyte().Sample(volume)
	return mol * p.scenario.molar, err
}

// BookAssay books a measured concentration of the catholyte in kg/m3 and returns the
// kg of metal by which the account was off, positive if there is more than it said.
func (p *Plan) BookAssay(concentration float64) (difference float64, err error) {
	mol, err := p.Model.Catholyte().Assay(concentration / p.scenario.molar)
	return mol * p.scenario.molar, err
}

// Balance is the metal account of the catholyte in kg. Supplied + Unaccounted = Deposit + Bath + Samples.
type Balance struct {
	Supplied, Unaccounted, Deposit, Bath, Samples float64
}

// Balance returns the account as it stands.
func (p *Plan) Balance() Balance {
	b, molar := p.Model.Catholyte(), p.scenario.molar
	return Balance{
		Supplied:    b.Supplied * molar,
		Unaccounted: b.Unaccounted * molar,
		Deposit:     b.Won() * molar,
		Bath:        b.Metal() * molar,
		Samples:     b.Sampled * molar,
	}
}
