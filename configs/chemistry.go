package configs

import (
	"fmt"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// checkChemistry finds what no bath, target and efficiency can be together.
// Whether the target can be reached is computed by integrate/bath.
func (c *Cell) checkChemistry(t *table) {
	if c.Bath != nil {
		c.Bath.check(t.orEmpty("bath"))
	}
	if c.Target == nil || c.Target.Form == "" {
		return
	}
	at := t.orEmpty("target")
	if c.Target.Form == Charge {
		return
	}
	if c.Bath == nil {
		at.bad(c.Target.Form, "the bath is not stated, so that no charge can be computed", "write ["+t.path+".bath], or state the target as charge")
		return
	}
	if !known(c.Efficiency.Initial.SI) && !c.Efficiency.Drawdown() && !c.Efficiency.Learned {
		t.orEmpty("efficiency").bad("", "the efficiency is not stated, so that no charge can be computed", `write fixed = "88 %", or initial with stirring, or learned = true`)
	}
	if c.Efficiency.Drawdown() && !known(c.Electrodes.CathodeArea) {
		t.orEmpty("electrodes").bad("cathode_area", "it is missing, and the limiting current depends on it", `write cathode_area = "60 cm2", both faces if both see an anode`)
	}
	if c.Target.Form == Thickness && !known(c.Target.Area) && !known(c.Electrodes.CathodeArea) {
		at.bad("area", "it is missing, and a thickness needs one", "write it here, or cathode_area in ["+t.path+".electrodes]")
	}
	if c.Target.Form == Marginal && !c.Efficiency.Drawdown() {
		at.bad(Marginal, "with a fixed efficiency every gram costs the same", "state initial with stirring or mass_transfer in ["+t.path+".efficiency]")
	}
}

// check compares the bath with the table of metals and its salts with the metal.
func (b *Bath) check(t *table) {
	if b.Medium != "" && !matter.Medium(b.Medium).Known() {
		var names []string
		for _, m := range matter.Media() {
			names = append(names, string(m))
		}
		remedy := "it is one of " + joined(names)
		if meant := nearest(b.Medium, names); meant != "" {
			remedy = fmt.Sprintf("is '%s' meant?", meant)
		}
		t.bad("medium", fmt.Sprintf("'%s' is no medium that is known", b.Medium), remedy)
	}
	if b.Metal == "" {
		return
	}
	metal, err := matter.LookUp(b.Metal)
	if err != nil {
		t.bad("metal", err.Error(), "")
		return
	}
	b.Metal = metal.Element.Symbol
	rows := t.list("salts")
	for i, s := range b.Salts {
		if s.Formula == "" {
			continue
		}
		f, err := matter.ParseFormula(s.Formula)
		if err != nil {
			rows[i].bad("formula", err.Error(), "")
			continue
		}
		if f.Count(b.Metal) == 0 {
			rows[i].bad("formula", fmt.Sprintf("%s holds no %s", s.Formula, metal.Element.Name), "name the salt of the metal that is won")
		}
	}
	if b.Content.Dimension == quantity.MassConcentration && b.Content.SI > metal.Density.Value {
		t.bad("concentration", fmt.Sprintf("%s is denser than the metal itself", quantity.Format(quantity.MassConcentration, b.Content.SI)), "look at the unit")
	}
}
