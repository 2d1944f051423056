package configs

import (
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
)

// The forms a target can be stated in.
const (
	Recover       = "recover"         // a share of the metal in the bath
	Concentration = "concentration"   // what remains, mass or amount
	Deposit       = "deposit"         // a mass on the cathode
	Thickness     = "thickness"       // over the cathode's area
	Charge        = "charge"          // plain
	Marginal      = "marginal_energy" // until the next gram costs more
)

// Target is what is wanted of a run: one form and its value.
type Target struct {
	Form  string
	Value quantity.Value
}

func readTarget(t *table) *Target {
	forms := map[string]quantity.Value{
		Recover:       t.stated(Recover, share, quantity.Fraction),
		Concentration: t.stated(Concentration, positive, concentrations...),
		Deposit:       t.stated(Deposit, positive, quantity.Mass),
		Thickness:     t.stated(Thickness, positive, quantity.Length),
		Charge:        t.stated(Charge, positive, quantity.Charge),
		Marginal:      t.stated(Marginal, positive, quantity.EnergyPerMass),
	}
	g := &Target{Form: t.exactlyOne("target", Recover, Concentration, Deposit, Thickness, Charge, Marginal), Value: unstated()}
	if g.Form != "" {
		g.Value = forms[g.Form]
	}
	t.done()
	return g
}

// Efficiency is how much of the charge becomes metal.
type Efficiency struct {
	// Initial is the efficiency before transport limits it, or the only one; when its
	// SI is NaN, the usual one of the metal in its medium is taken.
	Initial quantity.Value
	// MassTransfer is the coefficient k_m, m/s. With it or Stirring the efficiency falls
	// as the bath is emptied; with neither it is fixed.
	MassTransfer quantity.Value
	Stirring     bath.Stirring
	// Learned asks for what earlier runs of this cell gave; what stands here then holds before the first of them. See Config.Taught.
	Learned bool
}

func readEfficiency(t *table) Efficiency {
	fixed := t.stated("fixed", share, quantity.Fraction)
	e := Efficiency{
		Initial:      t.stated("initial", share, quantity.Fraction),
		MassTransfer: t.stated("mass_transfer", positive, quantity.Velocity),
		Stirring:     bath.Stirring(t.choice("stirring", "", "still", "bubble", "forced")),
		Learned:      t.flag("learned", false),
	}
	transport := t.has("mass_transfer") || t.has("stirring")
	switch {
	case t.has("fixed") && (transport || t.has("initial")):
		t.bad("fixed", "a fixed efficiency does not go with initial, mass_transfer or stirring", "keep fixed alone, or write initial with mass_transfer or stirring")
	case t.has("mass_transfer") && t.has("stirring"):
		t.bad("stirring", "mass_transfer is written too", "keep one of the two")
	case t.has("initial") && !transport:
		t.bad("initial", "it says nothing without the transport that limits it later", `add stirring = "still", "bubble" or "forced", or mass_transfer, or write fixed in its place`)
	case t.has("fixed"):
		e.Initial = fixed
	}
	t.done()
	return e
}

// Working is how the cell is meant to be run. Values that are not stated have a NaN SI.
type Working struct {
	Current quantity.Value // A
	Voltage quantity.Value // V, at the cell
}

func readWorking(t *table) Working {
	w := Working{t.stated("current", positive, quantity.Current), t.stated("voltage", positive, quantity.Voltage)}
	t.done()
	return w
}
