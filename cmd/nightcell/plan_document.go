package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// document is a configuration of one cell with its supply, as it would stand in a file. The flags of plan are written into
// it, so that they and a file go through one reader, with one set of checks.
type document struct {
	tables         map[string]any
	cellName, bank string            // the names of the cell and of its supply
	file           string            // that the cell was taken from; "": from flags alone
	metered        bool              // something states how well the supply counts
	left           string            // what the ledger of the bath says is left; empty: the bath is as stated
	told           string            // what a person should know of that
	before         []string          // what is to be done before the run, by the ledgers
	head           string            // begins what is written, with a place for the file's name; "": as plan begins it
	why            map[string]string // reasons of keys, to stand beside them
	open           bool              // what is still to be filled in is written all the same
	notes          map[string]string // comments of the file it was read from, by their lines
}

// reasons are the reasons of keys, by the lines that they are to stand beside.
func (d document) reasons() map[string]string {
	comments := map[string]string{}
	maps.Copy(comments, d.notes)
	for key, why := range d.why {
		v := d.get(key)
		if text, ok := v.(string); ok {
			v = strconv.Quote(text)
		}
		if v != nil {
			comments[fmt.Sprintf("%s = %v", key[strings.LastIndexByte(key, '.')+1:], v)] = why
		}
	}
	return comments
}

// The names in a document that no file began.
const (
	draftCell, draftSupply = "cell", "bench"
	draftData              = "nightcell-data"
)

// newDocument is a document of which nothing is stated.
func newDocument() document {
	d := document{tables: map[string]any{"data": draftData}, cellName: draftCell, bank: draftSupply}
	d.set("supply."+draftSupply+".port", configs.PortToFill)
	d.set(d.cell("supply"), draftSupply)
	return d
}

// documentOf is the part of a configuration file that states one cell.
func documentOf(c *configs.Config, file, cell string) (document, error) {
	d := document{tables: map[string]any{}, cellName: cell, bank: c.Cell(cell).Supply, file: file, metered: true}
	frozen, err := c.Frozen(cell)
	if err != nil {
		return d, err
	}
	if on, err := ledger.Continue(c.Data, frozen, cell, time.Now(), runlog.Patience); err == nil {
		if d.told = on.Told; on.Left != "" {
			frozen, d.left, d.before = on.Frozen, on.Left, []string{"Not followed from run to run: " + ledger.NotFollowed + "."}
		}
		if on.Blank != "" {
			d.before = append(d.before, "Blank of the cathode: "+on.Blank+".")
		}
	} else if err != nil && !errors.As(err, new(configs.Mistakes)) { // a draft may lack what a run needs
		d.told = fmt.Sprintf("the bath is taken as the configuration states it: %v", err)
	}
	if _, err := toml.Decode(string(frozen), &d.tables); err != nil {
		return d, fmt.Errorf("reading %s for the plan: %w", file, err)
	}
	return d, nil
}

// cell and supply are the full names of a key in the cell's and the supply's tables.
func (d document) cell(key string) string   { return "cell." + d.cellName + "." + key }
func (d document) supply(key string) string { return "supply." + d.bank + "." + key }

// table returns the table that a key stands in, made if it is not there and make is set, and the key's own name.
func (d document) table(key string, make bool) (table map[string]any, name string) {
	parts := strings.Split(key, ".")
	table = d.tables
	for _, part := range parts[:len(parts)-1] {
		next, ok := table[part].(map[string]any)
		if !ok {
			if !make {
				return nil, ""
			}
			next = map[string]any{}
			table[part] = next
		}
		table = next
	}
	return table, parts[len(parts)-1]
}

func (d document) set(key string, value any) {
	table, name := d.table(key, true)
	table[name] = value
}

// get returns nil for a key that is not written.
func (d document) get(key string) any {
	table, name := d.table(key, false)
	return table[name]
}

func (d document) drop(key string) {
	table, name := d.table(key, false)
	delete(table, name)
}

// clone is a document that can be changed without this one.
func (d document) clone() document {
	d.tables = cloned(d.tables)
	return d
}

func cloned(tables map[string]any) map[string]any {
	all := maps.Clone(tables)
	for name, v := range all {
		if table, ok := v.(map[string]any); ok {
			all[name] = cloned(table)
		}
	}
	return all
}

// text is the document as a file has it.
func (d document) text() ([]byte, error) {
	var b bytes.Buffer
	encoder := toml.NewEncoder(&b)
	encoder.Indent = ""
	if err := encoder.Encode(d.tables); err != nil {
		return nil, fmt.Errorf("writing the plan's configuration: %w", err)
	}
	return b.Bytes(), nil
}

// read reads the document as a configuration. Its mistakes name the flags.
func (d document) read() (*configs.Cell, *configs.Supply, error) {
	text, err := d.text()
	if err != nil {
		return nil, nil, err
	}
	c, err := configs.Draft(d.file, text)
	var mistakes configs.Mistakes
	switch {
	case errors.As(err, &mistakes):
		var list []string
		for _, m := range mistakes {
			list = append(list, d.flagAt(m.Key)+": "+strings.TrimSuffix(inFlags(m.Wrong)+"; "+inFlags(m.Remedy), "; "))
		}
		return nil, nil, planMistakes(list)
	case err != nil:
		return nil, nil, err
	}
	if !d.metered {
		return c.Cell(d.cellName), nil, nil
	}
	return c.Cell(d.cellName), c.Supply(d.bank), nil
}

var saltKey = regexp.MustCompile(`^bath\.salts\[(\d+)\]\.(.+)$`)

// otherFlags are those of keys that no flag of planFlagList states.
var otherFlags = map[string]string{
	"bath.salts": "--salt", "bath.valence": "--valence", "bath.purified": "--purified", "electrodes.soluble_anode": "--soluble-anode",
	"efficiency.initial": "--efficiency", "target": "target",
}

// flagAt names the flag that states a key of the document; a key that no flag states is named with its file.
func (d document) flagAt(key string) string {
	own := strings.TrimPrefix(key, d.cell(""))
	meter := strings.TrimPrefix(key, d.supply(""))
	if match := saltKey.FindStringSubmatch(own); match != nil {
		flag := "--salt"
		if match[2] != "formula" {
			flag += "-" + match[2]
		}
		if match[1] != "1" {
			flag += fmt.Sprintf(" (number %s)", match[1])
		}
		return flag
	}
	if flag, known := otherFlags[own]; known {
		return flag
	}
	for _, p := range planFlagList() {
		if p.Key == own || p.Key == meter {
			return "--" + p.Flag
		}
	}
	return strings.TrimPrefix(d.file+": "+key, ": ")
}

// flagOf names the flag that states a field of a plan's order.
func (d document) flagOf(field string) string {
	if field == "meter" {
		return "--meter-gain or --meter-offset"
	}
	return d.flagAt(d.cell(configs.KeyOf(field)))
}

// flagMistakes are the mistakes of an order in the words of the command line.
func (d document) flagMistakes(err error) error {
	var list []string
	for _, m := range bath.Mistakes(err) {
		list = append(list, d.flagOf(m.Field)+strings.TrimPrefix(m.Error(), m.Field))
	}
	if len(list) == 0 {
		return usageError{err}
	}
	return planMistakes(list)
}

// inFlags names flags where words that are for a file name keys.
func inFlags(words string) string {
	return strings.NewReplacer("mass_transfer", "--mass-transfer", "metal_mass", "--metal-mass").Replace(words)
}

// planMistakes is one error of a list that names flags.
func planMistakes(list []string) error {
	if len(list) == 1 {
		return usageError{errors.New(list[0])}
	}
	return usageError{errors.New("cannot compute the plan:\n  " + strings.Join(list, "\n  "))}
}

// load reads the configuration that the cell is taken from, and says which cell that is.
func (o *planOptions) load() (c *configs.Config, name string, err error) {
	if c, err = configs.Load(o.config); err != nil {
		return nil, "", usageError{err}
	}
	names := strings.Join(c.CellNames(), ", ")
	switch name = cmp.Or(o.cell, c.Cells[0].Name); {
	case o.cell == "" && len(c.Cells) != 1:
		return nil, "", usagef("%s describes several cells: choose one with --cell: %s", o.config, names)
	case c.Cell(name) == nil:
		return nil, "", usagef("--cell %s: %s has no such cell; it has %s", name, o.config, names)
	}
	return c, name, nil
}

// whole is the configuration file as it stands, with the comments behind its lines.
func (o *planOptions) whole() (document, error) {
	c, name, err := o.load()
	if err != nil {
		return document{}, err
	}
	d := document{tables: map[string]any{}, cellName: name, bank: c.Cell(name).Supply, file: o.config, metered: true, notes: map[string]string{}}
	text, err := os.ReadFile(o.config)
	if err == nil {
		_, err = toml.Decode(string(text), &d.tables)
	}
	for line := range strings.Lines(string(text)) {
		if stated, comment, ok := strings.Cut(strings.TrimSpace(line), " # "); ok {
			d.notes[stated] = comment
		}
	}
	return d, err
}

// stated is the document that the flags and the file come to.
func (o *planOptions) stated(flags *pflag.FlagSet) (document, error) {
	d := newDocument()
	if o.config == "" {
		if o.cell != "" {
			return d, usagef("--cell %s: add --config FILE, the file that describes the cell", o.cell)
		}
		if d.metered = flags.Changed("meter-gain") || flags.Changed("meter-offset"); d.metered { // what is not stated of it is left out of the doubt
			d.set(d.supply(meterKey+"current_gain"), "0 %")
			d.set(d.supply(meterKey+"current_offset"), "0 A")
		}
		return d, d.stateBy(flags)
	}
	c, name, err := o.load()
	if err != nil {
		return d, err
	}
	if d, err = documentOf(c, o.config, name); err != nil {
		return d, err
	}
	return d, d.stateBy(flags)
}
