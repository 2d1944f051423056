package daemon

import (
	"math"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/matter"
)

// applyEntry lets coulometer, bath and alarms follow what a person did. The error
// says what cannot be; nothing has been changed then.
func (r *run) applyEntry(c *Cell, e control.Entry) error {
	n := e.Numbers
	switch e.Kind {
	case runlog.EntryZero:
		return refusal(r.count.SetZero(integrate.Zero{Amperes: n["amperes"], Uncertainty: n["standard_uncertainty"]}))
	case runlog.EntryCheck:
		return refusal(r.count.SetCorrection(integrate.Correction{Factor: n["factor"], Uncertainty: n["standard_uncertainty"]}))
	case runlog.EntryBegin, runlog.EntrySettle:
		return control.BadRequest("an entry of the kind %s is not written by hand", e.Kind)
	}
	if err := r.applyToBath(c, e); err != nil {
		return refusal(err)
	}
	switch e.Kind {
	case "addition", "water", "electrode":
		r.alarms.Relearn("after an entry: " + e.Kind)
	}
	return nil
}

func refusal(err error) error {
	if err == nil {
		return nil
	}
	return control.BadRequest("%v", err)
}

// applyToBath books additions, samples, water and assays in the model's catholyte.
func (r *run) applyToBath(c *Cell, e control.Entry) error {
	p := c.set.Plan
	if p == nil {
		return nil
	}
	book, n := p.Model.Catholyte(), e.Numbers
	molar := p.Metal.Element.Weight.Value
	concentration := n["concentration_moles_per_cubic_metre"]
	if kg, ok := n["concentration_kilograms_per_cubic_metre"]; ok {
		concentration = kg / molar
	}
	volume := n["volume_cubic_metres"]
	switch e.Kind {
	case "addition":
		mol := concentration * volume
		if formula := e.Words["formula"]; formula != "" {
			f, err := matter.ParseFormula(formula)
			if err != nil {
				return err
			}
			perMole, _ := f.MolarMass()
			assay, ok := n["assay_ratio"]
			if !ok {
				assay = 1
			}
			mol = n["mass_kilograms"] * assay / perMole * f.Count(p.Metal.String())
		}
		return book.Add(mol, math.Max(volume, 0))
	case "water":
		return book.Water(volume)
	case "sample":
		_, err := book.Sample(volume)
		return err
	case "assay":
		_, err := book.Assay(concentration)
		return err
	case "electrode":
		if area, ok := n["area_square_metres"]; ok {
			s := p.Model.State()
			return p.Model.Retune(s.Efficiency, s.MassTransfer, area)
		}
	}
	return nil
}
