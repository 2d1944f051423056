package configs

import (
	"math"

	"nightcell/configs/quantity"
)

// The forms a target can be stated in.
const (
	Recover       = "recover"         // a share of the metal in the bath
	Concentration = "concentration"   // what remains, mass or amount
	Deposit       = "deposit"         // a mass on the cathode
	Thickness     = "thickness"       // times an area
	Charge        = "charge"          // plain
	Marginal      = "marginal_energy" // until the next gram costs more
)

// Target is what is wanted of a run: one form, its value, and for a thickness its area.
type Target struct {
	Form  string
	Value quantity.Value
	Area  float64 // m2, for Thickness; NaN: the cathode's
}

func readTarget(t *table) *Target {
	forms := map[string]quantity.Value{
		Recover:       t.stated(Recover, share, quantity.Fraction),
		Concentration: t.stated(Concentration, notNegative, concentrations...),
		Deposit:       t.stated(Deposit, positive, quantity.Mass),
		Thickness:     t.stated(Thickness, positive, quantity.Length),
		Charge:        t.stated(Charge, positive, quantity.Charge),
		Marginal:      t.stated(Marginal, positive, quantity.EnergyPerMass),
	}
	g := &Target{Area: t.measure("area", quantity.Area, positive, math.NaN())}
	g.Form = t.exactlyOne("target", Recover, Concentration, Deposit, Thickness, Charge, Marginal)
	g.Value = forms[g.Form]
	if t.has("area") && g.Form != "" && g.Form != Thickness {
		t.bad("area", "an area belongs to a thickness", "leave it out, or state the target as thickness")
	}
	t.done()
	return g
}

// Efficiency is how much of the charge becomes metal.
type Efficiency struct {
	// Initial is the efficiency before transport limits it, or the only one; SI is NaN when not stated.
	Initial quantity.Value
	// MassTransfer is the coefficient k_m, m/s; NaN when not stated.
	MassTransfer quantity.Value
	Stirring     string // still, bubble or forced, in place of MassTransfer; empty: not stated
	// Learned asks for what earlier runs of this cell really gave, Initial until there are any.
	Learned bool
}

// Drawdown reports whether the efficiency falls as the bath is emptied.
func (e Efficiency) Drawdown() bool { return e.Stirring != "" || !math.IsNaN(e.MassTransfer.SI) }

func readEfficiency(t *table) Efficiency {
	fixed := t.stated("fixed", share, quantity.Fraction)
	e := Efficiency{
		Initial:      t.stated("initial", share, quantity.Fraction),
		MassTransfer: t.stated("mass_transfer", positive, quantity.Velocity),
		Stirring:     t.choice("stirring", "", "still", "bubble", "forced"),
		Learned:      t.flag("learned", false),
	}
	if t.has("fixed") {
		for _, k := range [...]string{"initial", "mass_transfer", "stirring"} {
			if t.has(k) {
				t.bad(k, "a fixed efficiency does not change with "+k, "keep fixed, or write initial with mass_transfer or stirring")
			}
		}
		e.Initial = fixed
	}
	if t.has("mass_transfer") && t.has("stirring") {
		t.bad("stirring", "mass_transfer is written too", "keep one of the two")
	}
	if t.has("initial") && !t.has("mass_transfer") && !t.has("stirring") && !t.has("fixed") {
		t.bad("initial", "it says nothing without the transport that limits it later", `add stirring = "still", "bubble" or "forced", or mass_transfer, or write fixed in its place`)
	}
	t.done()
	return e
}

// Electrodes are the plates and what lies between them. Areas and lengths are NaN when not stated.
type Electrodes struct {
	Cathode, Anode         string // materials
	CathodeArea, AnodeArea float64
	Gap                    float64 // m
	Divided                bool    // a diaphragm or membrane stands between them
	SolubleAnode           bool    // the anode dissolves, so no gas comes off there and there is no floor voltage
}

func readElectrodes(t *table) Electrodes {
	e := Electrodes{
		Cathode:      t.text("cathode", ""),
		Anode:        t.text("anode", ""),
		CathodeArea:  t.measure("cathode_area", quantity.Area, positive, math.NaN()),
		AnodeArea:    t.measure("anode_area", quantity.Area, positive, math.NaN()),
		Gap:          t.measure("gap", quantity.Length, positive, math.NaN()),
		Divided:      t.flag("divided", false),
		SolubleAnode: t.flag("soluble_anode", false),
	}
	t.done()
	return e
}
