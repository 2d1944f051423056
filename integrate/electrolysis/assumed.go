package electrolysis

import "nightcell/integrate/matter"

// Input is one figure that an assessment rests on.
type Input struct {
	Name   string // in the words of the mistakes that Assess reports
	Unit   string // SI
	Figure matter.Figure
}

// Assumed lists the figures that nobody stated and that Assess filled in, for a plan
// to print beside its answer: the first things to measure.
func (a Assessment) Assumed() []Input {
	c := a.Conditions
	list := []Input{
		{"bath temperature", "K", c.Temperature}, {"pH", "", c.PH}, {"anolyte pH", "", c.AnolytePH},
		{"free acid between the plates", "mol/m³", c.FreeAcid}, {"electrode gap", "m", c.Gap}, {"anode area", "m²", c.AnodeArea},
		{"metal concentration at the end", "mol/m³", c.FinalConcentration}, {"anolyte volume", "m³", c.Anolyte}, {"open surface", "m²", c.OpenArea},
		{"room temperature", "K", c.Ambient}, {"lead length", "m", c.LeadLength},
	}
	if !c.Conductivity.Known() {
		k := AssumedConductivity(c.Medium, c.FreeAcid.Value, c.Temperature.Value)
		list = append(list, Input{"conductivity", "S/m", matter.Figure{
			Value: k.Best, StandardUncertainty: (k.High - k.Low) / 4, Mark: k.Mark, Source: k.Source,
		}})
	}
	if !c.CellVolts.Known() {
		list = append(list, Input{"cell voltage", "V", a.volts()})
	}
	assumed := list[:0]
	for _, in := range list {
		if in.Figure.Mark == matter.Assumed {
			assumed = append(assumed, in)
		}
	}
	return assumed
}
