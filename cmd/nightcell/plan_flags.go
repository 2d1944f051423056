package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// planFlag is a flag that states one thing of the cell, and the key of the configuration at which a file states it.
type planFlag struct{ Flag, Key, Usage string }

// planFlagList lists the flags that state one thing each.
func planFlagList() []planFlag { return helps()["plan"].States }

// quantityText is a flag's text, which help calls a quantity.
type quantityText string

func (q *quantityText) String() string        { return string(*q) }
func (q *quantityText) Set(text string) error { *q = quantityText(text); return nil }
func (*quantityText) Type() string            { return "quantity" }

// meterKey is before the keys of the flags that state the supply's meter.
const meterKey = "accuracy."

// stateFlags registers what plan can be told of the cell.
func stateFlags(flags *pflag.FlagSet) {
	flags.Int("valence", 0, "`electrons` per atom (default: usual in the medium)")
	flags.StringArray("salt", nil, "`formula` of a salt in the bath, such as ZnSO4·7H2O; may be repeated")
	flags.StringArray("salt-mass", nil, "`mass` of each salt, in the same order")
	flags.StringArray("salt-concentration", nil, "`concentration` of each salt, instead of its mass")
	flags.StringArray("salt-assay", nil, "`assay` of each salt, such as '99 %'")
	flags.Bool("soluble-anode", false, "the anode is the same metal and dissolves (default: from its material)")
	flags.Bool("constant-voltage", false, "the supply holds the voltage; --current is the first current")
	flags.Bool("purified", false, "nobler metals were removed from the bath (narrows an assumed current efficiency)")
	for _, p := range planFlagList() {
		if strings.Contains(p.Usage, "`") {
			flags.String(p.Flag, "", p.Usage)
		} else {
			flags.Var(new(quantityText), p.Flag, p.Usage)
		}
	}
}

// stateBy writes into a document what the flags state; what they replace is taken out. The error lists what cannot be
// written down at all; what it means is judged when the document is read.
func (d document) stateBy(flags *pflag.FlagSet) error {
	list := d.stateSalts(flags)
	var targets []string
	for _, p := range planFlagList() {
		if !flags.Changed(p.Flag) {
			continue
		}
		if strings.HasPrefix(p.Key, "target.") {
			if targets = append(targets, "--"+p.Flag); len(targets) == 1 {
				d.drop(d.cell("target"))
			}
		}
		at := d.cell(p.Key)
		if strings.HasPrefix(p.Key, meterKey) {
			at = d.supply(p.Key)
		}
		if text := flags.Lookup(p.Flag).Value.String(); text != "" {
			d.set(at, text)
		} else {
			d.drop(at)
		}
	}
	if len(targets) > 1 {
		list = append([]string{strings.Join(targets, " and ") + ": give one target"}, list...)
	}
	if flags.Changed("valence") {
		n, _ := flags.GetInt("valence")
		d.set(d.cell("bath.valence"), n)
	}
	for flag, key := range map[string]string{"soluble-anode": "electrodes.soluble_anode", "purified": "bath.purified"} {
		if flags.Changed(flag) {
			d.set(d.cell(key), flags.Lookup(flag).Value.String() == "true")
		}
	}
	if holds, _ := flags.GetBool("constant-voltage"); holds {
		d.set(d.cell("working.holds"), configs.HoldsVoltage)
	}
	d.stateTransport(flags)
	if len(list) > 0 {
		return planMistakes(list)
	}
	return nil
}

// stateTransport makes of the two ways to say what stirs the bath the one that was stated last, and puts the efficiency
// where it belongs: a fixed one, or the first of two stages.
func (d document) stateTransport(flags *pflag.FlagSet) {
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
			v = flags.Lookup("efficiency").Value.String()
		}
		d.set(to, v)
	}
	d.drop(from)
}

// stateSalts replaces what the bath holds by the salts, the concentration or the mass of the flags.
func (d document) stateSalts(flags *pflag.FlagSet) (list []string) {
	salts, _ := flags.GetStringArray("salt")
	if len(salts) > 0 || flags.Changed("concentration") || flags.Changed("metal-mass") { // what the configuration says of the content gives way
		d.drop(d.cell("bath.salts"))
		d.drop(d.cell("bath.concentration"))
		d.drop(d.cell("bath.metal_mass"))
	}
	if len(salts) > 0 {
		d.drop(d.cell("bath.metal"))
	}
	var rows []map[string]any
	for _, formula := range salts {
		rows = append(rows, map[string]any{"formula": formula})
	}
	for _, key := range []string{"mass", "concentration", "assay"} {
		texts, _ := flags.GetStringArray("salt-" + key)
		if len(texts) > len(rows) {
			list = append(list, fmt.Sprintf("--salt-%s: %s for %s; give one for each --salt", key, quantity.Count(len(texts), "value"), quantity.Count(len(rows), "salt")))
			continue
		}
		for i, text := range texts {
			rows[i][key] = text
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

// write writes the document as a configuration that check accepts: with what the plan assumed stated, and with
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
	if _, err := configs.Parse(file, text); err != nil && !d.open {
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
	d.set(d.cell("bath.metal"), p.Bath.Metal.String())
	if d.file == "" {
		cells, _ := d.tables["cell"].(map[string]any)
		d.tables["cell"] = map[string]any{p.Bath.Metal.Element.Name + "-1": cells[d.cellName]}
	}
}
