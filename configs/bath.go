package configs

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Bath is what the operator states of the liquid. In a divided cell it is the
// catholyte. Values that are not stated have a NaN SI.
type Bath struct {
	Name      string // of its ledger; without one the cell's name
	Continues string // of run.toml alone: the newest line of the ledger from which the figures are; empty: as stated
	Metal     string // element symbol
	Valence   int    // electrons per atom; 0: the usual one in the medium
	Medium    string // the anion or kind of the bath, such as "sulfate"; empty: told by the salt
	Volume    quantity.Value
	Salts     []Salt
	Content   quantity.Value // concentration of the metal; its Dimension tells mass from amount
	Mass      quantity.Value // of the metal

	PH           quantity.Value
	Kelvin       quantity.Value // temperature
	Acid         quantity.Value // mol/m3 of titratable H+
	Chloride     quantity.Value // mol/m3
	Ligand       quantity.Value // mol/m3, free, of a complex bath
	Conductivity quantity.Value // S/m
	OpenArea     quantity.Value // m2, of the surface that evaporates
	Purified     bool           // what is nobler than the metal was taken out
	Anolyte      Anolyte
}

// Anolyte is the liquid on the other side of a divided cell.
type Anolyte struct {
	Medium matter.Medium // "": as the bath
	Volume quantity.Value
	PH     quantity.Value
}

// Salt is one addition of a salt of the metal, by Mass or by Content.
type Salt struct {
	Formula string
	Mass    quantity.Value
	Content quantity.Value // kg of salt per m3 of bath
	Assay   quantity.Value // share of the mass that is the formula
}

var concentrations = []quantity.Dimension{quantity.MassConcentration, quantity.AmountConcentration}

func readBath(t *table) *Bath {
	b := &Bath{
		Name:         t.ledgerName("name"),
		Continues:    t.text("continues", ""),
		Metal:        t.text("metal", ""),
		Valence:      t.whole("valence", 0, 1, 8),
		Medium:       t.text("medium", ""),
		Volume:       t.stated("volume", positive, quantity.Volume),
		Content:      t.stated("concentration", positive, concentrations...),
		Mass:         t.stated("metal_mass", positive, quantity.Mass),
		PH:           t.stated("ph", plausiblePH, quantity.Number),
		Kelvin:       t.stated("temperature", liquidWater, quantity.Temperature),
		Acid:         t.stated("acid", notNegative, quantity.AmountConcentration),
		Chloride:     t.stated("chloride", notNegative, quantity.AmountConcentration),
		Ligand:       t.stated("ligand", notNegative, quantity.AmountConcentration),
		Conductivity: t.stated("conductivity", positive, quantity.Conductivity),
		OpenArea:     t.stated("open_area", positive, quantity.Area),
		Purified:     t.flag("purified", false),
	}
	for _, row := range t.list("salts") {
		b.Salts = append(b.Salts, Salt{
			Formula: row.required("formula", "ZnSO4·7H2O"),
			Mass:    row.stated("mass", positive, quantity.Mass),
			Content: row.stated("concentration", positive, quantity.MassConcentration),
			Assay:   row.stated("assay", share, quantity.Fraction),
		})
		row.done()
	}
	switch {
	case !t.doc.draft:
		t.required("metal", "Zn")
	case b.Metal == "":
		b.Metal = metalOfSalts(b.Salts)
	}
	anolyte := t.orEmpty("anolyte")
	b.Anolyte = Anolyte{
		Medium: matter.Medium(anolyte.choice("medium", "", mediumNames()...)),
		Volume: anolyte.stated("volume", positive, quantity.Volume),
		PH:     anolyte.stated("ph", plausiblePH, quantity.Number),
	}
	anolyte.done()
	t.done()
	return b
}

func mediumNames() []string {
	var names []string
	for _, m := range matter.Media() {
		names = append(names, string(m))
	}
	return names
}

// exactlyOne complains unless one of the keys is written. what says of what they are the ways.
func (t *table) exactlyOne(what string, keys ...string) string {
	var given []string
	for _, k := range keys {
		if t.has(k) {
			given = append(given, k)
		}
	}
	switch len(given) {
	case 1:
		return given[0]
	case 0:
		t.bad("", "nothing states the "+what, "write one of "+strings.Join(keys, ", "))
		return ""
	}
	t.bad(given[1], "the "+what+" is stated more than once: "+strings.Join(given, ", "), "keep one of them")
	return ""
}

// Electrodes are the plates and what lies between them. Values that are not stated have a NaN SI.
type Electrodes struct {
	Cathode, Anode         string         // materials
	CathodeName, AnodeName string         // of their ledgers; empty: none is kept
	CathodeArea, AnodeArea quantity.Value // m2
	CathodeMass            quantity.Value // kg, of the cathode as it goes into the bath
	Gap                    quantity.Value // m
	LeadLength             quantity.Value // m, one way
	Separator              electrolysis.Separator
	SolubleAnode           bool           // the anode dissolves, so no gas comes off there and there is no floor voltage
	AnodeLoss              quantity.Value // share of the charge that makes oxide of the metal there
}

// Divided reports whether a diaphragm or membrane stands between the electrodes.
func (e Electrodes) Divided() bool { return e.Separator != electrolysis.NoSeparator }

// readElectrodes takes an anode of the metal for a soluble one unless that is denied.
func readElectrodes(t *table, metal string) Electrodes {
	e := Electrodes{
		CathodeName: t.ledgerName("cathode_name"),
		AnodeName:   t.ledgerName("anode_name"),
		Cathode:     t.text("cathode", ""),
		Anode:       t.text("anode", ""),
		CathodeArea: t.stated("cathode_area", positive, quantity.Area),
		CathodeMass: t.stated("cathode_mass", positive, quantity.Mass),
		AnodeArea:   t.stated("anode_area", positive, quantity.Area),
		Gap:         t.stated("gap", positive, quantity.Length),
		LeadLength:  t.stated("lead_length", positive, quantity.Length),
		AnodeLoss:   t.stated("anode_loss", upToAll, quantity.Fraction),
	}
	e.SolubleAnode = t.flag("soluble_anode", electrolysis.Dissolves(e.Anode, metal))
	word := t.choice("separator", "none", "none", "diaphragm", "cation-membrane", "anion-membrane")
	e.Separator = electrolysis.Separator(strings.ReplaceAll(word, "-", " "))
	if gap := e.Gap.SI; gap > 1 {
		t.bad("gap", fmt.Sprintf("%.3g m between the electrodes is too far for a bench cell", gap), "look at the unit: 20 mm to 50 mm are usual")
	}
	t.done()
	return e
}

// known reports whether a figure is stated.
func known(v float64) bool { return !math.IsNaN(v) }
