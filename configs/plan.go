package configs

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// Figure turns a stated quantity into a figure; what is not stated is the zero Figure.
func Figure(v quantity.Value) matter.Figure {
	if !known(v.SI) {
		return matter.Figure{}
	}
	return matter.GivenFigure(v.SI, v.StandardUncertainty())
}

// SI is the value of a figure; NaN: it is not Known.
func SI(f matter.Figure) float64 {
	if !f.Known() {
		return math.NaN()
	}
	return f.Value
}

// Plan computes the target from the bath; nil without either. Parse has made it
// once already and reported what was in the way.
func (c *Cell) Plan(s *Supply) (*bath.Plan, error) {
	if c.Bath == nil || c.Target == nil {
		return nil, nil
	}
	order := c.PlanOrder(s)
	p, err := plan.BathOf(order)
	if c.targetAlone(err) {
		p, err = follow(order, c.Target.Form)
	}
	if err == nil && c.Electrodes.CathodeMass.Known() {
		p.SetBlank(c.Electrodes.CathodeMass)
	}
	return p, err
}

// Order is what a plan of the cell is made from. The cell must have a bath and a target.
func (c *Cell) Order(s *Supply) bath.Order {
	o := bath.Order{
		Contents: c.Bath.Contents, Efficiency: c.Efficiency.Efficiency,
		Anode: bath.Anode{Material: electrolysis.AnodeKind(c.States.Anode), Soluble: c.States.SolubleAnode, Loss: c.Electrodes.AnodeLoss},
		Conditions: bath.Conditions{Current: c.States.Current, CathodeArea: c.States.CathodeArea, CellVoltage: c.States.CellVolts,
			PH: c.States.PH, Temperature: c.States.Temperature},
	}
	o.Contents.Salts = slices.Clone(o.Contents.Salts) // a plan adds what it assumes of them
	if s != nil {
		o.Meter = bath.Meter{GainRelative: s.Accuracy.GainRelative, OffsetAmperes: s.Accuracy.OffsetAmperes}
	}
	o.Target = bath.Target{Form: c.Target.Form, Value: perVolume(c.Target.Value, c.Bath.Metal)}
	return o
}

// keys says where in a cell's tables a field of package bath is written.
var keys = map[string]string{
	"metal": "bath.metal", "medium": "bath.medium", "volume": "bath.volume", "valence": "bath.valence", "salts": "bath.salts",
	"anolyte-volume": "bath.anolyte.volume", "concentration": "bath.concentration", "metal-mass": "bath.metal_mass",
	"efficiency": "efficiency.fixed", "stirring": "efficiency.stirring", "mass-transfer": "efficiency.mass_transfer",
	"target": "target", "target.recover": "target.recover", "target.concentration": "target.concentration", "target.deposit": "target.deposit",
	"target.thickness": "target.thickness", "target.charge": "target.charge", "target.marginal_energy": "target.marginal_energy",
	"current": "working.current", "cell-voltage": "working.voltage", "cathode-area": "electrodes.cathode_area",
	"anode-loss": "electrodes.anode_loss",
}

var saltField = regexp.MustCompile(`^salts\[(\d+)\]\.(.+)$`)

// checkPlan lets package bath judge what the cell states, and reports its mistakes
// at the keys. What has already been complained about is not said twice.
func (c *Cell) checkPlan(t *table) {
	switch {
	case c.Target == nil && c.Bath == nil:
		return
	case c.Target == nil:
		t.orEmpty("bath").bad("", "there is no target, so nothing is computed from the bath", "write ["+t.path+".target] too")
		return
	case c.Bath == nil:
		t.orEmpty("target").bad("", "the bath is not stated, so that the deposit cannot be followed", "write ["+t.path+".bath] too")
		return
	}
	if c.States.AnolyteMedium != "" && !c.Divided() {
		t.orEmpty("bath").orEmpty("anolyte").bad("medium", "the cell has no separator, so that there is one liquid", "name the separator in ["+t.path+".electrodes], or leave this out")
	}
	_, err := bath.NewPlan(c.Order(nil))
	if c.targetAlone(err) {
		return
	}
	var missing []func()
	for _, m := range bath.Mistakes(err) {
		at, key := c.place(t, m.Field)
		remedy := m.Remedy
		switch {
		case remedy != "":
		case strings.HasSuffix(at.path, ".target"):
			remedy = "lower the target, or look at the figures of the bath"
		case key == "formula":
			remedy = "write it as in ZnSO4·7H2O"
		}
		switch say := func() { at.bad(key, m.Problem, remedy) }; {
		case t.doc.blamed(at.key(key)):
		case at.has(key):
			say()
		default:
			missing = append(missing, say)
		}
	}
	// What is missing may only be missing because it could not be read.
	for _, part := range [...]string{"bath", "target", "efficiency", "electrodes", "working"} {
		if t.doc.blamed(t.key(part)) {
			return
		}
	}
	for _, say := range missing {
		say()
	}
}

// saltNumber is which of the salts a match of saltField is, from 1 on.
func saltNumber(match []string) int {
	i, _ := strconv.Atoi(match[1]) // the pattern has digits only
	return i + 1
}

// place returns the table and key at which a field of package bath is written.
func (c *Cell) place(t *table, field string) (at *table, key string) {
	if match := saltField.FindStringSubmatch(field); match != nil {
		return t.orEmpty("bath").list("salts")[saltNumber(match)-1], match[2]
	}
	at, key = t, keys[field]
	if field == "efficiency" && t.orEmpty("efficiency").has("initial") {
		key = "efficiency.initial"
	}
	for {
		first, rest, deeper := strings.Cut(key, ".")
		if !deeper {
			return at, key
		}
		at, key = at.orEmpty(first), rest
	}
}

// blamed reports whether a mistake at this key or below it is known.
func (d *document) blamed(key string) bool {
	for _, m := range d.mistakes {
		if m.Key == key || strings.HasPrefix(m.Key, key+".") || strings.HasPrefix(m.Key, key+"[") {
			return true
		}
	}
	return false
}

// unevenShare is how far one of several cells in series may be from its even share of the volts: common practice for cells of one make, no source.
const unevenShare = 0.2

// Coulometer is how the charge of the cell is counted with the readings of its supply.
func (c *Cell) Coulometer(s *Supply, meters ...*Meter) integrate.Settings {
	a := s.Accuracy
	for _, m := range meters { // each for what it measures
		a.Meter = a.Meter.Poorer(m.Accuracy)
	}
	// What every ammeter in parallel is off by adds up; volts are divided among cells in series.
	n, share := float64(len(c.Channels())), 1/float64(c.Series)
	if c.Series > 1 {
		a.VoltGainRelative += unevenShare
	}
	a.GapAfter = c.GapAfter
	for _, of := range []*float64{&a.OffsetAmperes, &a.ResolutionAmperes, &a.ZeroAmperes, &a.ZeroUncertainty} {
		*of *= n
	}
	a.VoltOffset, a.VoltResolution = share*a.VoltOffset, share*a.VoltResolution
	return a
}

// PlanOrder is everything that is stated of a run of the cell. The cell must have a bath and a target.
func (c *Cell) PlanOrder(s *Supply) plan.Order {
	return plan.Order{Bath: c.Order(s), Cell: c.States, HoldAmperes: c.HoldAmperes}
}

// Conditions is what can be judged of the cell besides its charge, once its plan is
// made. The working current is taken when it is stated, else current, in A.
func (c *Cell) Conditions(p *bath.Plan, current float64) electrolysis.Conditions {
	o := plan.Fill(c.States, p)
	if !o.Current.Known() && current > 0 && !math.IsInf(current, 0) {
		o.Current = matter.Figure{Value: current, Mark: matter.Measured}
	}
	return o
}

// PortToFill stands where nobody has named a supply's port yet. It parses, so that the rest of the file can be checked.
const PortToFill = "FILL-IN"

// Draft reads a configuration that is still to be planned: as Parse does, but what a plan may assume or complain of itself
// may be missing, the metal is told by the salts where they hold just one, and nothing is compared between tables. Every
// cell has a bath and a target, if empty ones.
func Draft(name string, data []byte) (*Config, error) { return parse(name, data, true) }

// Unfilled lists what still has to be filled in before anything can be watched.
func (c *Config) Unfilled() Mistakes {
	var list Mistakes
	for _, s := range c.Supplies {
		if s.Line.Address == PortToFill {
			key := "supply." + s.Name + ".port"
			list = append(list, Mistake{File: c.file, Line: c.lines[key], Key: key, Wrong: "the port is not filled in yet",
				Remedy: "write the device or tcp://host:port of the supply there; nightcell ports lists the devices"})
		}
	}
	return list
}

// metalOfSalts is the metal that the salts hold if they hold just one to be won, else "": then the plan says what is wrong.
func metalOfSalts(salts []bath.Salt) string {
	found := ""
	for _, salt := range salts {
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			return ""
		}
		for _, m := range matter.WinnableIn(f) {
			if found != "" && found != m.String() {
				return ""
			}
			found = m.String()
		}
	}
	return found
}

// KeyOf says where in a cell's tables a field of a bath.Mistake is written, such as "bath.salts[2].mass"; "" if nowhere.
func KeyOf(field string) string {
	if match := saltField.FindStringSubmatch(field); match != nil {
		return fmt.Sprintf("bath.salts[%d].%s", saltNumber(match), match[2])
	}
	return keys[field]
}
