package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// writtenHead begins a written configuration.
const writtenHead = `# Written by nightcell plan, for its target.
# Before the watch: fill in what says FILL IN, state the accuracy and the ranges of
# the supply from its data sheet and the limits of the cell, and then run
#   nightcell check --config %s

`

// write writes the document as a configuration that check accepts: with what the plan assumed or fitted stated, and with
// a port to be filled in where none is known. It overwrites nothing.
func (d document) write(file string, p *plan.Plan) error {
	if err := checkExtension("write", file, ".toml"); err != nil {
		return err
	}
	d = d.clone()
	comments := map[string]string{}
	d.completed(p, comments)
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
	text = append(fmt.Appendf(nil, writtenHead, file), laid...)
	if _, err := configs.Parse(file, text); err != nil {
		return usageError{fmt.Errorf("--write %s: what the flags and the file come to is no configuration:\n%w", file, err)}
	}
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return usagef("--write %s: there is such a file, and it is not overwritten; name another, or move it away", file)
	} else if err != nil {
		return fmt.Errorf("writing %s: %w", file, err)
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", file, err)
	}
	return nil
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
		const why = "assumed by the plan: the middle of what is usual"
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
