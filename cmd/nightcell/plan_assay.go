package main

import (
	"fmt"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// parseAssays reads the assays of --assayed; a concentration in mol/L becomes a mass by the weight of the metal.
func parseAssays(texts []string, symbol string) ([]bath.Assay, error) {
	metal, err := matter.LookUp(symbol)
	if err != nil {
		return nil, nil // the plan itself says what is wrong
	}
	var assays []bath.Assay
	for _, text := range texts {
		a, err := parseAssay(text, metal.Element.Weight.Value)
		if err != nil {
			return nil, usagef("--assayed %q: %w", text, err)
		}
		assays = append(assays, a)
	}
	return assays, nil
}

// parseAssay reads 'time, charge, concentration', and if they are stated the volume of
// the bath then and that of the sample.
func parseAssay(text string, molar float64) (bath.Assay, error) {
	parts := strings.Split(text, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	if len(parts) < 3 || len(parts) > 5 {
		return bath.Assay{}, fmt.Errorf("three quantities are needed, such as '6 h, 18 A h, 31 g/L', or with the volume of the bath then, and that of the sample, '6 h, 18 A h, 31 g/L, 0.88 L, 5 mL'; decimals take a point")
	}
	seconds, err := quantity.Parse(quantity.Time, parts[0])
	if err != nil {
		return bath.Assay{}, err
	}
	charge, err := quantity.Parse(quantity.Charge, parts[1])
	if err != nil {
		return bath.Assay{}, err
	}
	v, err := quantity.ParseAny(parts[2], quantity.MassConcentration, quantity.AmountConcentration)
	if err != nil {
		return bath.Assay{}, err
	}
	c := matter.Figure{Value: v.SI, StandardUncertainty: v.StandardUncertainty(), Mark: matter.Measured}
	if v.Dimension == quantity.AmountConcentration {
		c.Value, c.StandardUncertainty = c.Value*molar, c.StandardUncertainty*molar
	}
	a := bath.Assay{Seconds: seconds, Charge: charge, Concentration: c}
	for i, into := range []*float64{&a.Volume, &a.Sampled} {
		if len(parts) > 3+i {
			if *into, err = quantity.Parse(quantity.Volume, parts[3+i]); err != nil {
				return bath.Assay{}, err
			}
		}
	}
	return a, nil
}
