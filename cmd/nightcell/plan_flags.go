package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// planFlags is what the flags of plan say about the cell, still as text.
type planFlags struct {
	valence                         int
	salts, masses, assays, contents []string
	solubleAnode, purified, volts   bool
	texts                           map[string]*string // of the flags that state one thing, by name
}

// planFlag is a flag that states one thing of the cell, and the key of the configuration at which a file states it.
type planFlag struct {
	name, usage string
	key         string               // below the cell; below the supply for those of the meter
	dims        []quantity.Dimension // nil: a word
}

// quantityText is a flag's text, which help calls a quantity.
type quantityText struct{ text *string }

func (q quantityText) String() string {
	if q.text == nil {
		return ""
	}
	return *q.text
}
func (q quantityText) Set(text string) error { *q.text = text; return nil }
func (q quantityText) Type() string          { return "quantity" }

func one(d quantity.Dimension) []quantity.Dimension { return []quantity.Dimension{d} }

// meterKey is before the keys of the flags that state the supply's meter.
const meterKey = "accuracy."

// planFlagList lists the flags that state one thing each.
func planFlagList() []planFlag {
	concentration := []quantity.Dimension{quantity.MassConcentration, quantity.AmountConcentration}
	return []planFlag{
		{"metal", "`metal` to recover, such as Zn; optional if the salts contain only one", "bath.metal", nil},
		{"medium", "`medium` of the bath: sulfate, chloride and so on (default: from the salt)", "bath.medium", nil},
		{"anolyte-medium", "`medium` of the anolyte, such as sulfate behind a cation membrane (default: as the bath)", "bath.anolyte.medium", nil},
		{"stirring", "`kind` of stirring: still, bubble or forced, for a two-stage drawdown", "efficiency.stirring", nil},
		{"cathode", "`material` of the cathode, such as aluminium", "electrodes.cathode", nil},
		{"anode", "`material` of the anode, such as lead", "electrodes.anode", nil},
		{"separator", "`kind` of separator: none, diaphragm, cation-membrane or anion-membrane", "electrodes.separator", nil},
		{"volume", "bath; in a divided cell the catholyte", "bath.volume", one(quantity.Volume)},
		{"concentration", "of the metal, instead of salts", "bath.concentration", concentration},
		{"metal-mass", "of the metal, instead of salts, such as '57 g'", "bath.metal_mass", one(quantity.Mass)},
		{"recover", "target: share of the metal to recover, such as '85 %'", "target.recover", one(quantity.Fraction)},
		{"leave", "target: concentration of the metal to leave, such as '5 g/L'", "target.concentration", concentration},
		{"deposit", "target: mass of deposit, such as '40 g'", "target.deposit", one(quantity.Mass)},
		{"thickness", "target: thickness of solid metal on the cathode, such as '0.1 mm'", "target.thickness", one(quantity.Length)},
		{"charge", "target: a charge", "target.charge", one(quantity.Charge)},
		{"marginal-energy", "target: stop when the marginal energy exceeds this, such as '8 kWh/kg'", "target.marginal_energy", one(quantity.EnergyPerMass)},
		{"efficiency", "share of the charge that deposits metal", "efficiency.fixed", one(quantity.Fraction)},
		{"mass-transfer", "k_m, for a two-stage drawdown", "efficiency.mass_transfer", one(quantity.Velocity)},
		{"current", "working current", "working.current", one(quantity.Current)},
		{"cell-voltage", "measured at the cell with current on", "working.voltage", one(quantity.Voltage)},
		{"cathode-area", "both faces, if both see an anode", "electrodes.cathode_area", one(quantity.Area)},
		{"anode-area", "facing the cathode, such as '80 cm2'", "electrodes.anode_area", one(quantity.Area)},
		{"anode-loss", "share of the charge that makes oxide of the metal at the anode, such as '20 % ± 5 %' (default: from the table)", "electrodes.anode_loss", one(quantity.Fraction)},
		{"gap", "distance between the electrodes", "electrodes.gap", one(quantity.Length)},
		{"lead-length", "one way, such as '1 m'", "electrodes.lead_length", one(quantity.Length)},
		{"ph", "of the bath or catholyte", "bath.ph", one(quantity.Number)},
		{"temperature", "of the bath", "bath.temperature", one(quantity.Temperature)},
		{"acid", "titratable H+, such as '1 mol/L'", "bath.acid", one(quantity.AmountConcentration)},
		{"chloride", "dissolved chloride, such as '0.1 mol/L'", "bath.chloride", one(quantity.AmountConcentration)},
		{"ligand", "free ligand of a complex bath, such as '1 mol/L'", "bath.ligand", one(quantity.AmountConcentration)},
		{"conductivity", "of the bath", "bath.conductivity", one(quantity.Conductivity)},
		{"open-area", "open surface of the bath, such as '80 cm2'", "bath.open_area", one(quantity.Area)},
		{"anolyte-volume", "of a divided cell, such as '0.5 L'", "bath.anolyte.volume", one(quantity.Volume)},
		{"anolyte-ph", "of a divided cell, such as '0.5'", "bath.anolyte.ph", one(quantity.Number)},
		{"room-volume", "of the room or cupboard, such as '20 m3'", "room.volume", one(quantity.Volume)},
		{"ventilation", "fresh air into it, such as '5 m3/h'", "room.ventilation", one(quantity.VolumeFlow)},
		{"room-temperature", "of the air, such as '20 °C'", "room.temperature", one(quantity.Temperature)},
		{"price", "of a kWh, in your currency, such as '0.30'", "room.price_per_kwh", one(quantity.Number)},
		{"meter-gain", "gain error of the supply's ammeter from its data sheet, such as '0.1 %'", meterKey + "current_gain", one(quantity.Fraction)},
		{"meter-offset", "offset of that ammeter, such as '5 mA'", meterKey + "current_offset", one(quantity.Current)},
	}
}

func (f *planFlags) register(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.IntVar(&f.valence, "valence", 0, "`electrons` per atom (default: usual in the medium)")
	flags.StringArrayVar(&f.salts, "salt", nil, "`formula` of a salt in the bath, such as ZnSO4·7H2O; may be repeated")
	flags.StringArrayVar(&f.masses, "salt-mass", nil, "`mass` of each salt, in the same order")
	flags.StringArrayVar(&f.contents, "salt-concentration", nil, "`concentration` of each salt, instead of its mass")
	flags.StringArrayVar(&f.assays, "salt-assay", nil, "`assay` of each salt, such as '99 %'")
	flags.BoolVar(&f.solubleAnode, "soluble-anode", false, "the anode is the same metal and dissolves (default: from its material)")
	flags.BoolVar(&f.volts, "constant-voltage", false, "the supply holds the voltage; --current is the first current")
	flags.BoolVar(&f.purified, "purified", false, "nobler metals were removed from the bath (narrows an assumed current efficiency)")
	f.texts = map[string]*string{}
	for _, p := range planFlagList() {
		text := new(string)
		f.texts[p.name] = text
		if p.dims == nil {
			flags.StringVar(text, p.name, "", p.usage)
			continue
		}
		usage := p.usage
		if !strings.Contains(usage, "such as") {
			usage += ", such as '" + p.dims[0].Example() + "'"
		}
		flags.Var(quantityText{text}, p.name, usage)
	}
}

// state writes into a document what the flags state; what they replace is taken out. The error lists what cannot be
// written down at all; what it means is judged when the document is read.
func (f *planFlags) state(flags *pflag.FlagSet, d document) error {
	list := f.stateSalts(flags, d)
	var targets []string
	for _, p := range planFlagList() {
		if !flags.Changed(p.name) {
			continue
		}
		if strings.HasPrefix(p.key, "target.") {
			if targets = append(targets, "--"+p.name); len(targets) == 1 {
				d.drop(d.cell("target"))
			}
		}
		at := d.cell(p.key)
		if strings.HasPrefix(p.key, meterKey) {
			at = d.supply(p.key)
		}
		if text := *f.texts[p.name]; text != "" {
			d.set(at, text)
		} else {
			d.drop(at)
		}
	}
	if len(targets) > 1 {
		list = append([]string{strings.Join(targets, " and ") + ": give one target"}, list...)
	}
	if flags.Changed("valence") {
		d.drop(d.cell("bath.valence"))
		if f.valence != 0 {
			d.set(d.cell("bath.valence"), f.valence)
		}
	}
	if flags.Changed("soluble-anode") {
		d.set(d.cell("electrodes.soluble_anode"), f.solubleAnode)
	}
	if f.volts {
		d.set(d.cell("working.holds"), configs.HoldsVoltage)
	}
	if flags.Changed("purified") {
		d.set(d.cell("bath.purified"), f.purified)
	}
	f.stateTransport(flags, d)
	if len(list) > 0 {
		return planMistakes(list)
	}
	return nil
}

// stateTransport makes of the two ways to say what stirs the bath the one that was stated last, and puts the efficiency
// where it belongs: a fixed one, or the first of two stages.
func (f *planFlags) stateTransport(flags *pflag.FlagSet, d document) {
	switch stirring, transfer := flags.Changed("stirring"), flags.Changed("mass-transfer"); {
	case stirring && !transfer:
		d.drop(d.cell("efficiency.mass_transfer"))
	case transfer && !stirring:
		d.drop(d.cell("efficiency.stirring"))
	}
	fixed, initial := d.cell("efficiency.fixed"), d.cell("efficiency.initial")
	from, to := fixed, initial
	if d.get(d.cell("efficiency.mass_transfer")) == nil && d.get(d.cell("efficiency.stirring")) == nil {
		from, to = initial, fixed
	}
	if v := d.get(from); v != nil && (d.get(to) == nil || flags.Changed("efficiency")) {
		if to == fixed && flags.Changed("efficiency") {
			v = *f.texts["efficiency"]
		}
		d.set(to, v)
	}
	d.drop(from)
}

// stateSalts replaces what the bath holds by the salts, the concentration or the mass of the flags.
func (f *planFlags) stateSalts(flags *pflag.FlagSet, d document) (list []string) {
	if len(f.salts) > 0 || flags.Changed("concentration") || flags.Changed("metal-mass") { // what the configuration says of the content gives way
		d.drop(d.cell("bath.salts"))
		d.drop(d.cell("bath.concentration"))
		d.drop(d.cell("bath.metal_mass"))
	}
	if len(f.salts) == 0 {
		f.salts = nil
	} else {
		d.drop(d.cell("bath.metal"))
	}
	var rows []map[string]any
	for _, formula := range f.salts {
		rows = append(rows, map[string]any{"formula": formula})
	}
	for _, more := range []struct {
		flag, key string
		texts     []string
	}{{"salt-mass", "mass", f.masses}, {"salt-concentration", "concentration", f.contents}, {"salt-assay", "assay", f.assays}} {
		if len(more.texts) > len(rows) {
			list = append(list, fmt.Sprintf("--%s: given %d times for %d salts; give one --salt for each", more.flag, len(more.texts), len(rows)))
			continue
		}
		for i, text := range more.texts {
			rows[i][more.key] = text
		}
	}
	if len(rows) > 0 {
		d.set(d.cell("bath.salts"), rows)
	}
	return list
}

// writtenHead begins a written configuration.
const writtenHead = `# Written by nightcell plan.
# Before use: replace FILL-IN, copy the accuracy and ranges of the supply from its
# data sheet, set the limits of the cell, then run
#   nightcell check --config %s

`

// write writes the document as a configuration that check accepts: with what the plan assumed or fitted stated, and with
// a port to be filled in where none is known. Without a plan it is written as it is. It overwrites nothing.
func (d document) write(file string, p *plan.Plan) error {
	if err := checkExtension("write", file, ".toml"); err != nil {
		return err
	}
	d = d.clone()
	comments := d.reasons()
	if p != nil {
		d.completed(p, comments)
	}
	d.drop(d.cell("bath.continues"))
	if data, ok := d.get("data").(string); ok && d.file != "" && !filepath.IsAbs(data) { // it begins at the folder of its file
		if relative, err := filepath.Rel(filepath.Dir(file), data); err == nil {
			d.set("data", relative)
		}
	}
	text, err := d.text()
	if err != nil {
		return err
	}
	laid := laidOut(string(text), comments)
	text = append(fmt.Appendf(nil, cmp.Or(d.head, writtenHead), file), laid...)
	if _, err := configs.Parse(file, text); err != nil {
		return usageError{fmt.Errorf("--write %s: flags and file do not make a valid configuration:\n%w", file, err)}
	}
	return writeNew("write", file, 0o644, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// laidOut puts a blank line before each table, leaves tables without a key of their own out, and puts the comments beside
// their lines.
func laidOut(text string, comments map[string]string) string {
	var b strings.Builder
	lines := strings.Split(strings.TrimSpace(text), "\n")
	for i, line := range lines {
		header := strings.HasPrefix(line, "[")
		switch {
		case line == "":
			continue
		case header && (i+1 == len(lines) || strings.HasPrefix(lines[i+1], "[")):
			continue
		case header:
			b.WriteString("\n")
		}
		b.WriteString(line)
		if comment := comments[line]; comment != "" {
			b.WriteString(" # " + comment)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// completed states what the plan took besides, and gives a cell without a name one. comments has what is to stand beside
// a line.
func (d *document) completed(p *plan.Plan, comments map[string]string) {
	comments[fmt.Sprintf("port = %q", configs.PortToFill)] = "FILL IN: the device or tcp://host:port; nightcell ports lists the devices"
	state := func(key string, dim quantity.Dimension, f matter.Figure, why string) {
		text := quantity.Format(dim, f.Value)
		if half := f.StandardUncertainty * math.Sqrt(3); half > 0 { // a half-width, as a stated ± is
			text += " ± " + quantity.Round(dim, half, 3)
		}
		d.set(d.cell(key), text)
		name := key[strings.LastIndexByte(key, '.')+1:]
		comments[fmt.Sprintf("%s = %q", name, text)] = why
	}
	conditions := p.Order.Bath.Conditions
	for _, a := range p.Assumed {
		const why = "assumed by the plan: middle of the usual range"
		switch a.What {
		case plan.Current:
			state("working.current", quantity.Current, conditions.Current, why)
		case plan.CathodeArea:
			state("electrodes.cathode_area", quantity.Area, conditions.CathodeArea, why)
		}
	}
	if p.Fit != nil {
		d.drop(d.cell("efficiency.stirring"))
		state("efficiency.mass_transfer", quantity.Velocity, p.Fit.MassTransfer, "fitted to assays")
		if v := d.get(d.cell("efficiency.fixed")); v != nil {
			d.drop(d.cell("efficiency.fixed"))
			d.set(d.cell("efficiency.initial"), v)
		}
	}
	d.set(d.cell("bath.metal"), p.Bath.Metal.String())
	if d.file == "" {
		cells, _ := d.tables["cell"].(map[string]any)
		d.tables["cell"] = map[string]any{p.Bath.Metal.Element.Name + "-1": cells[d.cellName]}
	}
}
