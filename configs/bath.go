package configs

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Bath is what the operator states of the liquid. In a divided cell it is the catholyte.
type Bath struct {
	Name      string // of its ledger; without one the cell's name
	Continues string // of run.toml alone: the newest line of the ledger from which the figures are; empty: as stated
	bath.Contents
}

var concentrations = []quantity.Dimension{quantity.MassConcentration, quantity.AmountConcentration}

// perVolume turns a stated concentration into a mass of metal in a volume: one in mol/L by the metal's own weight.
func perVolume(v quantity.Value, metal string) matter.Figure {
	f := Figure(v)
	if m, err := matter.LookUp(metal); v.Dimension == quantity.AmountConcentration && err == nil {
		f.Value *= m.Element.Weight.Value
		f.StandardUncertainty *= m.Element.Weight.Value
	}
	return f
}

// readBath reads what is in the bath, and what it is like.
func (c *Cell) readBath(t *table) {
	c.Bath = &Bath{Name: cmp.Or(t.ledgerName("name"), c.Name), Continues: t.text("continues", ""), Contents: bath.Contents{
		Metal:     t.text("metal", ""),
		Valence:   t.whole("valence", 0, 1, 8),
		Medium:    matter.Medium(t.text("medium", "")),
		Volume:    t.figure("volume", positive, quantity.Volume),
		MetalMass: t.figure("metal_mass", positive, quantity.Mass),
		Purified:  t.flag("purified", false),
	}}
	b, content := c.Bath, t.stated("concentration", positive, concentrations...)
	c.States.PH = t.figure("ph", plausiblePH, quantity.Number)
	c.States.Temperature = t.figure("temperature", liquidWater, quantity.Temperature)
	c.States.FreeAcid = t.figure("acid", notNegative, quantity.AmountConcentration)
	c.States.Chloride = t.figure("chloride", notNegative, quantity.AmountConcentration)
	c.States.Ligand = t.figure("ligand", notNegative, quantity.AmountConcentration)
	c.States.Conductivity = t.figure("conductivity", positive, quantity.Conductivity)
	c.States.OpenArea = t.figure("open_area", positive, quantity.Area)
	for _, row := range t.list("salts") {
		b.Salts = append(b.Salts, bath.Salt{
			Formula:       row.required("formula", "ZnSO4·7H2O"),
			Mass:          row.figure("mass", positive, quantity.Mass),
			Concentration: row.figure("concentration", positive, quantity.MassConcentration),
			Assay:         row.figure("assay", share, quantity.Fraction),
		})
		row.done()
	}
	switch {
	case !t.doc.draft:
		t.required("metal", "Zn")
	case b.Metal == "":
		b.Metal = metalOfSalts(b.Salts)
	}
	b.Concentration = perVolume(content, b.Metal)
	anolyte := t.orEmpty("anolyte")
	c.States.AnolyteMedium = matter.Medium(anolyte.choice("medium", "", mediumNames()...))
	b.AnolyteVolume = anolyte.figure("volume", positive, quantity.Volume)
	c.States.Anolyte = b.AnolyteVolume
	c.States.AnolytePH = anolyte.figure("ph", plausiblePH, quantity.Number)
	anolyte.done()
	t.done()
}

func mediumNames() []string {
	var names []string
	for _, m := range matter.Media() {
		names = append(names, string(m))
	}
	return names
}

// Electrodes are what is stated of the plates besides Cell.States.
type Electrodes struct {
	CathodeName, AnodeName string        // of their ledgers; empty: none is kept
	CathodeMass            matter.Figure // kg, of the cathode as it goes into the bath
	AnodeLoss              matter.Figure // share of the charge that makes oxide of the metal there
}

// Divided reports whether a diaphragm or membrane stands between the electrodes.
func (c *Cell) Divided() bool { return c.States.Separator != electrolysis.NoSeparator }

// readElectrodes takes an anode of the metal for a soluble one unless that is denied.
func (c *Cell) readElectrodes(t *table, metal string) {
	c.Electrodes = Electrodes{
		CathodeName: t.ledgerName("cathode_name"),
		AnodeName:   t.ledgerName("anode_name"),
		CathodeMass: t.figure("cathode_mass", positive, quantity.Mass),
		AnodeLoss:   t.figure("anode_loss", upToAll, quantity.Fraction),
	}
	s := &c.States
	s.Cathode, s.Anode = t.text("cathode", ""), t.text("anode", "")
	s.CathodeArea = t.figure("cathode_area", positive, quantity.Area)
	s.AnodeArea = t.figure("anode_area", positive, quantity.Area)
	s.Gap = t.figure("gap", positive, quantity.Length)
	s.LeadLength = t.figure("lead_length", positive, quantity.Length)
	s.LeadOhms = t.figure("lead_resistance", positive, quantity.Resistance)
	s.SolubleAnode = t.flag("soluble_anode", electrolysis.Dissolves(s.Anode, metal))
	word := t.choice("separator", "none", "none", "diaphragm", "cation-membrane", "anion-membrane")
	s.Separator = electrolysis.Separator(strings.ReplaceAll(word, "-", " "))
	if gap := s.Gap.Value; gap > 1 {
		t.bad("gap", fmt.Sprintf("%.3g m between the electrodes is too far for a bench cell", gap), "look at the unit: 20 mm to 50 mm are usual")
	}
	t.done()
}

// known reports whether a figure is stated.
func known(v float64) bool { return !math.IsNaN(v) }
