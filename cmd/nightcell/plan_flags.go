package main

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// planFlags is what the flags of plan say about the cell, still as text.
type planFlags struct {
	metal, medium, stirring         string
	anolyteMedium                   string
	valence                         int
	salts, masses, assays, contents []string
	cathode, anode, separator       string
	solubleAnode                    bool
	meterGain, meterOffset          string
	values                          map[string]*quantityText // the quantities, by flag
}

// quantityFlag is a flag whose text is a quantity, and where it goes.
type quantityFlag struct {
	name, usage string
	dims        []quantity.Dimension
	put         func(c *configs.Cell, v quantity.Value)
}

// quantityText is a flag's text, which help calls a quantity.
type quantityText string

func (q *quantityText) String() string        { return string(*q) }
func (q *quantityText) Set(text string) error { *q = quantityText(text); return nil }
func (q *quantityText) Type() string          { return "quantity" }

func one(d quantity.Dimension) []quantity.Dimension { return []quantity.Dimension{d} }

// quantityFlags lists the flags that state quantities of the cell.
func quantityFlags() []quantityFlag {
	concentration := []quantity.Dimension{quantity.MassConcentration, quantity.AmountConcentration}
	target := func(form string) func(*configs.Cell, quantity.Value) {
		return func(c *configs.Cell, v quantity.Value) { c.Target = &configs.Target{Form: form, Value: v} }
	}
	return []quantityFlag{
		{"volume", "bath; in a divided cell the catholyte", one(quantity.Volume), func(c *configs.Cell, v quantity.Value) { c.Bath.Volume = v }},
		{"concentration", "of the metal, instead of salts", concentration, func(c *configs.Cell, v quantity.Value) { c.Bath.Content = v }},
		{"metal-mass", "of the metal, instead of salts, such as '57 g'", one(quantity.Mass), func(c *configs.Cell, v quantity.Value) { c.Bath.Mass = v }},
		{"recover", "target: share of the metal to win, such as '85 %'", one(quantity.Fraction), target(configs.Recover)},
		{"leave", "target: concentration of the metal to leave, such as '5 g/L'", concentration, target(configs.Concentration)},
		{"deposit", "target: mass of metal to win, such as '40 g'", one(quantity.Mass), target(configs.Deposit)},
		{"thickness", "target: of solid metal over the cathode area, such as '0.1 mm'", one(quantity.Length), target(configs.Thickness)},
		{"charge", "target: a plain charge", one(quantity.Charge), target(configs.Charge)},
		{"marginal-energy", "target: stop when the next gram costs more than this, such as '8 kWh/kg'", one(quantity.EnergyPerMass), target(configs.Marginal)},
		{"efficiency", "share of the charge that wins metal", one(quantity.Fraction), func(c *configs.Cell, v quantity.Value) { c.Efficiency.Initial = v }},
		{"mass-transfer", "k_m, for a two-stage drawdown", one(quantity.Velocity), func(c *configs.Cell, v quantity.Value) { c.Efficiency.MassTransfer = v }},
		{"current", "working current", one(quantity.Current), func(c *configs.Cell, v quantity.Value) { c.Working.Current = v }},
		{"cell-voltage", "measured at the cell under current", one(quantity.Voltage), func(c *configs.Cell, v quantity.Value) { c.Working.Voltage = v }},
		{"cathode-area", "both faces, if both see an anode", one(quantity.Area), func(c *configs.Cell, v quantity.Value) { c.Electrodes.CathodeArea = v }},
		{"anode-area", "facing the cathode, such as '80 cm2'", one(quantity.Area), func(c *configs.Cell, v quantity.Value) { c.Electrodes.AnodeArea = v }},
		{"gap", "distance between the electrodes", one(quantity.Length), func(c *configs.Cell, v quantity.Value) { c.Electrodes.Gap = v }},
		{"lead-length", "one way, such as '1 m'", one(quantity.Length), func(c *configs.Cell, v quantity.Value) { c.Electrodes.LeadLength = v }},
		{"ph", "of the bath or catholyte", one(quantity.Number), func(c *configs.Cell, v quantity.Value) { c.Bath.PH = v }},
		{"temperature", "of the bath", one(quantity.Temperature), func(c *configs.Cell, v quantity.Value) { c.Bath.Kelvin = v }},
		{"acid", "titratable H+, such as '1 mol/L'", one(quantity.AmountConcentration), func(c *configs.Cell, v quantity.Value) { c.Bath.Acid = v }},
		{"chloride", "dissolved chloride, such as '0.1 mol/L'", one(quantity.AmountConcentration), func(c *configs.Cell, v quantity.Value) { c.Bath.Chloride = v }},
		{"ligand", "free ligand of a complex bath, such as '1 mol/L'", one(quantity.AmountConcentration), func(c *configs.Cell, v quantity.Value) { c.Bath.Ligand = v }},
		{"conductivity", "of the bath", one(quantity.Conductivity), func(c *configs.Cell, v quantity.Value) { c.Bath.Conductivity = v }},
		{"open-area", "surface of the bath that evaporates, such as '80 cm2'", one(quantity.Area), func(c *configs.Cell, v quantity.Value) { c.Bath.OpenArea = v }},
		{"anolyte-volume", "of a divided cell, such as '0.5 L'", one(quantity.Volume), func(c *configs.Cell, v quantity.Value) { c.Bath.Anolyte.Volume = v }},
		{"anolyte-ph", "of a divided cell, such as '0.5'", one(quantity.Number), func(c *configs.Cell, v quantity.Value) { c.Bath.Anolyte.PH = v }},
		{"room-volume", "of the room or cupboard, such as '20 m3'", one(quantity.Volume), func(c *configs.Cell, v quantity.Value) { c.Room.Volume = v }},
		{"ventilation", "fresh air into it, such as '5 m3/h'", one(quantity.VolumeFlow), func(c *configs.Cell, v quantity.Value) { c.Room.Ventilation = v }},
		{"room-temperature", "of the air, such as '20 °C'", one(quantity.Temperature), func(c *configs.Cell, v quantity.Value) { c.Room.Kelvin = v }},
		{"price", "of a kWh, in your money, such as '0.30'", one(quantity.Number), func(c *configs.Cell, v quantity.Value) { c.Room.PricePerKilowattHour = v }},
	}
}

// targetFlags are the flags that state what is wanted; only one may be used.
func targetFlags() []string {
	return []string{"recover", "leave", "deposit", "thickness", "charge", "marginal-energy"}
}

func (f *planFlags) register(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&f.metal, "metal", "", "`metal` to win, such as Zn; may be left out if the salts hold just one")
	flags.IntVar(&f.valence, "valence", 0, "`electrons` per atom; left out: the usual ones in the medium")
	flags.StringVar(&f.medium, "medium", "", "`medium` of the bath: sulfate, chloride and so on; left out: told by the salt")
	flags.StringVar(&f.anolyteMedium, "anolyte-medium", "", "`medium` of the anolyte, such as sulfate behind a cation membrane beside a chloride bath; left out: as the bath")
	flags.StringArrayVar(&f.salts, "salt", nil, "`formula` of a salt in the bath, such as ZnSO4·7H2O; may be repeated")
	flags.StringArrayVar(&f.masses, "salt-mass", nil, "`mass` of each salt, in the same order")
	flags.StringArrayVar(&f.contents, "salt-concentration", nil, "`concentration` of each salt, instead of its mass")
	flags.StringArrayVar(&f.assays, "salt-assay", nil, "`assay` of each salt, such as '99 %'")
	flags.StringVar(&f.stirring, "stirring", "", "`kind` of stirring: still, bubble or forced, for a two-stage drawdown")
	flags.StringVar(&f.cathode, "cathode", "", "`material` of the cathode, such as aluminium")
	flags.StringVar(&f.anode, "anode", "", "`material` of the anode, such as lead")
	flags.StringVar(&f.separator, "separator", "", "`kind` of separator: none, diaphragm, cation-membrane or anion-membrane")
	flags.BoolVar(&f.solubleAnode, "soluble-anode", false, "the anode is of the metal and dissolves")
	flags.StringVar(&f.meterGain, "meter-gain", "", "gain `error` of the supply's ammeter, as its maker states it, such as '0.1 %'")
	flags.StringVar(&f.meterOffset, "meter-offset", "", "`offset` of that ammeter, such as '5 mA'")
	f.values = map[string]*quantityText{}
	for _, q := range quantityFlags() {
		usage := q.usage
		if !strings.Contains(usage, "such as") {
			usage += ", such as '" + q.dims[0].Example() + "'"
		}
		f.values[q.name] = new(quantityText)
		flags.Var(f.values[q.name], q.name, usage)
	}
}

// unstatedQuantity is a quantity that nobody stated.
func unstatedQuantity() quantity.Value {
	return quantity.Value{SI: math.NaN(), PlusMinus: math.NaN()}
}

// emptyCell is a cell of which nothing is stated.
func emptyCell() *configs.Cell {
	u := unstatedQuantity()
	c := &configs.Cell{
		Name:       "cell",
		Electrodes: configs.Electrodes{CathodeArea: u, AnodeArea: u, Gap: u, LeadLength: u, Separator: electrolysis.NoSeparator},
		Efficiency: configs.Efficiency{Initial: u, MassTransfer: u},
		Working:    configs.Working{Current: u, Voltage: u},
		Room:       configs.Room{Ventilation: u, Volume: u, Kelvin: u, PricePerKilowattHour: u},
	}
	fillCell(c)
	return c
}

// fillCell gives a cell without a bath or target the empty ones, for flags to fill.
func fillCell(c *configs.Cell) {
	u := unstatedQuantity()
	if c.Bath == nil {
		c.Bath = &configs.Bath{
			Volume: u, Content: u, Mass: u, PH: u, Kelvin: u, Acid: u, Chloride: u, Ligand: u, Conductivity: u, OpenArea: u,
			Anolyte: configs.Anolyte{Volume: u, PH: u},
		}
	}
	if c.Target == nil {
		c.Target = &configs.Target{Value: u}
	}
}

// apply puts what the flags state into the cell. The error lists all mistakes.
func (f *planFlags) apply(cmd *cobra.Command, c *configs.Cell) error {
	var list []string
	flags := cmd.Flags()
	var targets []string
	for _, name := range targetFlags() {
		if flags.Changed(name) {
			targets = append(targets, "--"+name)
		}
	}
	if len(targets) > 1 {
		list = append(list, strings.Join(targets, " and ")+": state one target")
	}
	for _, q := range quantityFlags() {
		if !flags.Changed(q.name) {
			continue
		}
		v, err := quantity.ParseAny(string(*f.values[q.name]), q.dims...)
		if err != nil {
			list = append(list, fmt.Sprintf("--%s: %v", q.name, err))
			continue
		}
		q.put(c, v)
	}
	f.applyWords(flags, c)
	list = append(list, f.applySalts(flags, c)...)
	if word := f.separator; word != "" {
		c.Electrodes.Separator = electrolysis.Separator(strings.ReplaceAll(word, "-", " "))
		switch c.Electrodes.Separator {
		case electrolysis.NoSeparator, electrolysis.Diaphragm, electrolysis.CationMembrane, electrolysis.AnionMembrane:
		default:
			list = append(list, fmt.Sprintf("--separator: %q is unknown; it is one of none, diaphragm, cation-membrane, anion-membrane", word))
		}
	}
	if len(list) > 0 {
		return planMistakes(nil, list)
	}
	findMetal(c)
	return nil
}

func (f *planFlags) applyWords(flags *pflag.FlagSet, c *configs.Cell) {
	if flags.Changed("metal") {
		c.Bath.Metal = f.metal
	}
	if flags.Changed("valence") {
		c.Bath.Valence = f.valence
	}
	if flags.Changed("medium") {
		c.Bath.Medium = f.medium
	}
	if flags.Changed("anolyte-medium") {
		c.Bath.Anolyte.Medium = matter.Medium(f.anolyteMedium)
	}
	if flags.Changed("stirring") {
		c.Efficiency.Stirring = bath.Stirring(f.stirring)
		if !flags.Changed("mass-transfer") {
			c.Efficiency.MassTransfer = unstatedQuantity()
		}
	} else if flags.Changed("mass-transfer") {
		c.Efficiency.Stirring = ""
	}
	if flags.Changed("cathode") {
		c.Electrodes.Cathode = f.cathode
	}
	if flags.Changed("anode") {
		c.Electrodes.Anode = f.anode
	}
	if flags.Changed("soluble-anode") {
		c.Electrodes.SolubleAnode = f.solubleAnode
	}
}

// applySalts replaces what the bath holds by the salts, the concentration or the mass of the flags.
func (f *planFlags) applySalts(flags *pflag.FlagSet, c *configs.Cell) (list []string) {
	u := unstatedQuantity()
	if len(f.salts) > 0 || flags.Changed("concentration") || flags.Changed("metal-mass") { // what the configuration says of the content gives way
		c.Bath.Salts = nil
		if !flags.Changed("concentration") {
			c.Bath.Content = u
		}
		if !flags.Changed("metal-mass") {
			c.Bath.Mass = u
		}
	}
	if len(f.salts) > 0 && !flags.Changed("metal") {
		c.Bath.Metal = ""
	}
	for _, more := range []struct {
		flag  string
		texts []string
	}{{"salt-mass", f.masses}, {"salt-concentration", f.contents}, {"salt-assay", f.assays}} {
		if len(more.texts) > len(f.salts) {
			list = append(list, fmt.Sprintf("--%s: it is stated %d times for %d salts; write one --salt for each", more.flag, len(more.texts), len(f.salts)))
		}
	}
	parse := func(flag string, texts []string, i int, d quantity.Dimension) quantity.Value {
		if i >= len(texts) {
			return u
		}
		v, err := quantity.ParseUncertain(d, texts[i])
		if err != nil {
			list = append(list, fmt.Sprintf("--%s: %v", flag, err))
			return u
		}
		return v
	}
	for i, formula := range f.salts {
		c.Bath.Salts = append(c.Bath.Salts, configs.Salt{
			Formula: formula,
			Mass:    parse("salt-mass", f.masses, i, quantity.Mass),
			Content: parse("salt-concentration", f.contents, i, quantity.MassConcentration),
			Assay:   parse("salt-assay", f.assays, i, quantity.Fraction),
		})
	}
	return list
}

// findMetal fills in the metal if the salts hold just one, because a concentration
// in mol/L needs its weight. What is unclear stays open for the plan to complain about.
func findMetal(c *configs.Cell) {
	if c.Bath.Metal != "" {
		return
	}
	found := ""
	for _, salt := range c.Bath.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			return
		}
		for _, m := range matter.WinnableIn(f) {
			if found != "" && found != m.String() {
				return
			}
			found = m.String()
		}
	}
	c.Bath.Metal = found
}

// readMeter takes the accuracy of the supply from the flags.
func (f *planFlags) readMeter(meter *bath.Meter) error {
	read := func(flag, text string, d quantity.Dimension, into *float64) error {
		if text == "" {
			return nil
		}
		v, err := quantity.Parse(d, text)
		if err != nil {
			return usagef("--%s: %w", flag, err)
		}
		*into = v
		return nil
	}
	if err := read("meter-gain", f.meterGain, quantity.Fraction, &meter.GainRelative); err != nil {
		return err
	}
	return read("meter-offset", f.meterOffset, quantity.Current, &meter.OffsetAmperes)
}

var saltOfMistake = regexp.MustCompile(`^salts\[(\d+)\]\.(.+)$`)

// flagOf names the flag that states a field of an order.
func flagOf(field string) string {
	if match := saltOfMistake.FindStringSubmatch(field); match != nil {
		flag := "--salt-" + match[2]
		if match[2] == "formula" {
			flag = "--salt"
		}
		number, _ := strconv.Atoi(match[1]) // the pattern has digits only
		if number > 0 {
			flag += fmt.Sprintf(" (number %d)", number+1)
		}
		return flag
	}
	switch field {
	case "salts":
		return "--salt"
	case "target":
		return "target"
	case "target-concentration":
		return "--leave"
	case "meter":
		return "--meter-gain or --meter-offset"
	}
	return "--" + field
}
