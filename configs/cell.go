package configs

import (
	"fmt"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

// Cell is one cell on one channel of a supply.
type Cell struct {
	Name     string
	Supply   string
	Channel  int
	Parallel []int    // further channels of the supply on the same cell
	Series   int      // cells on this channel, one after the other, this one included
	Meters   []string // second instruments that measure what the cell gets
	Poll     time.Duration
	GapAfter time.Duration // a longer step between readings is a gap
	Sync     time.Duration // between two fsyncs of the run log; 0: every line
	// May says what the operator allows nightcell to do with the output; OnStop, AtTarget and
	// every reaction keep within it.
	May         alerts.Permission
	OnStop      alerts.Act // when the daemon is told to stop
	AtTarget    alerts.Act // when the target is reached
	HoldAmperes float64    // NaN when not stated
	// Reason is why a choice departs from the safe state of the metal; it goes into the run log.
	Reason string

	Bath       *Bath   // nil: not stated
	Target     *Target // nil: none
	Efficiency Efficiency
	Electrodes Electrodes
	// States is what is stated of electrodes, liquids, working and room. What is not stated is not Known.
	States    electrolysis.Conditions
	Limits    alerts.Limits
	Reactions []alerts.Reaction // in the order of the conditions
}

func (c *Cell) readRoom(t *table) {
	c.States.Airflow = t.figure("ventilation", notNegative, quantity.VolumeFlow)
	c.States.RoomVolume = t.figure("volume", positive, quantity.Volume)
	c.States.Ambient = t.figure("temperature", airOfARoom, quantity.Temperature)
	c.States.Price = t.figure("price_per_kwh", notNegative, quantity.Number)
	t.done()
}

const (
	mostChannels = 64
	mostInSeries = 100
	gapPolls     = 5 // polls without a reading are a gap
)

// Channels lists the channels of the supply that drive the cell.
func (c *Cell) Channels() []int { return append([]int{c.Channel}, c.Parallel...) }

// Wiring says how the cell hangs on its channels, as in "channel 1, 2 cells in series".
func (c *Cell) Wiring() string {
	text := fmt.Sprintf("channel %d", c.Channel)
	for _, n := range c.Parallel {
		text += fmt.Sprintf(" and %d", n)
	}
	if c.Parallel != nil {
		text += " in parallel"
	}
	if c.Series > 1 {
		text += fmt.Sprintf(", %d cells in series", c.Series)
	}
	return text
}

func readCell(n named) Cell {
	t := n.table
	t.checkName(n.name)
	c := Cell{
		Name:    n.name,
		Supply:  t.required("supply", "bench"),
		Channel: t.whole("channel", 1, 1, mostChannels), Parallel: t.wholes("parallel", 1, mostChannels), Series: t.whole("in_series", 1, 1, mostInSeries),
		Meters: t.texts("meters"),
		Poll:   t.duration("poll", time.Second, 20*time.Millisecond),
		Sync:   t.duration("sync", 10*time.Second, 0),
		Reason: t.text("reason", ""),
	}
	c.GapAfter = t.duration("gap_after", max(gapPolls*c.Poll, 10*time.Second), 0)
	for _, word := range t.texts("may") {
		switch word {
		case "off":
			c.May.Off = true
		case "hold":
			c.May.Hold = true
		case "step":
			c.May.Step = true
		default:
			t.bad("may", "'"+word+"' is not a permission", `it is a list of "off", "hold" and "step", or empty: nightcell then only watches`)
		}
	}
	c.OnStop = acts[t.choice("on_stop", "leave", "leave", "hold", "off")]
	c.AtTarget = acts[t.choice("at_target", "notify", "notify", "hold", "off")]
	c.HoldAmperes = t.measure("hold_current", quantity.Current, positive, unstated().SI)
	c.readChemistry(t)
	c.readWatch(t)
	c.readRoom(t.orEmpty("room"))
	t.done()
	return c
}

// readChemistry reads what is in the bath and what is wanted of it.
func (c *Cell) readChemistry(t *table) {
	if b := t.sub("bath"); b != nil {
		c.readBath(b)
	} else if t.doc.draft {
		c.readBath(t.child("bath", nil))
	}
	metal := ""
	if c.Bath != nil {
		metal = c.Bath.Metal
	}
	c.readElectrodes(t.orEmpty("electrodes"), metal)
	if c.Bath != nil {
		c.Bath.Divided, c.Bath.Crossing = c.Divided(), c.States.Separator.MetalCrossing(c.Bath.MediumTold().Anionic())
	}
	if g := t.sub("target"); g != nil {
		c.Target = readTarget(g)
	} else if t.doc.draft {
		c.Target = &Target{Value: unstated()}
	}
	c.Efficiency = readEfficiency(t.orEmpty("efficiency"))
	c.readWorking(t.orEmpty("working"))
}

// acts are the words of the file for what becomes of an output.
var acts = map[string]alerts.Act{"notify": alerts.Notify, "leave": alerts.Notify, "hold": alerts.Hold, "off": alerts.Off}

// Target is what is wanted of a run: a form of bath.Target, and its value as written.
type Target struct {
	Form  string
	Value quantity.Value
}

func readTarget(t *table) *Target {
	g := &Target{Value: unstated()}
	var given, known []string
	for _, form := range []struct {
		key  string
		ok   rangeOf
		dims []quantity.Dimension
	}{
		{bath.Recover, share, []quantity.Dimension{quantity.Fraction}}, {bath.Concentration, positive, concentrations},
		{bath.Deposit, positive, []quantity.Dimension{quantity.Mass}}, {bath.Thickness, positive, []quantity.Dimension{quantity.Length}},
		{bath.Charge, positive, []quantity.Dimension{quantity.Charge}}, {bath.Marginal, positive, []quantity.Dimension{quantity.EnergyPerMass}},
	} {
		known = append(known, form.key)
		if v := t.stated(form.key, form.ok, form.dims...); t.has(form.key) {
			given, g.Form, g.Value = append(given, form.key), form.key, v
		}
	}
	switch len(given) {
	case 0:
		t.bad("", "nothing states the target", "write one of "+strings.Join(known, ", "))
	case 1:
	default:
		t.bad(given[1], "the target is stated more than once: "+strings.Join(given, ", "), "keep one of them")
		g = &Target{Value: unstated()}
	}
	t.done()
	return g
}

// Efficiency is how much of the charge becomes metal.
type Efficiency struct {
	bath.Efficiency
	// Learned asks for what earlier runs of this cell gave; what stands here then holds before the first of them. See Config.Taught.
	Learned bool
}

func readEfficiency(t *table) Efficiency {
	fixed := t.figure("fixed", share, quantity.Fraction)
	e := Efficiency{bath.Efficiency{
		Fraction:     t.figure("initial", share, quantity.Fraction),
		MassTransfer: t.figure("mass_transfer", positive, quantity.Velocity),
		Stirring:     bath.Stirring(t.choice("stirring", "", "still", "bubble", "forced")),
	}, t.flag("learned", false)}
	switch transport := t.has("mass_transfer") || t.has("stirring"); {
	case t.has("fixed") && (transport || t.has("initial")):
		t.bad("fixed", "a fixed efficiency does not go with initial, mass_transfer or stirring", "keep fixed alone, or write initial with mass_transfer or stirring")
	case t.has("mass_transfer") && t.has("stirring"):
		t.bad("stirring", "mass_transfer is written too", "keep one of the two")
	case t.has("initial") && !transport:
		t.bad("initial", "it needs the mass transfer that limits it later", `add stirring = "still", "bubble" or "forced", or mass_transfer, or write fixed in its place`)
	case t.has("fixed"):
		e.Fraction = fixed
	}
	t.done()
	return e
}

// What a supply is set to hold.
const HoldsCurrent, HoldsVoltage = "current", "voltage"

func (c *Cell) readWorking(t *table) {
	c.States.Current = t.figure("current", positive, quantity.Current)
	c.States.CellVolts = t.figure("voltage", positive, quantity.Voltage)
	c.States.HoldsVolts = t.choice("holds", HoldsCurrent, HoldsCurrent, HoldsVoltage) == HoldsVoltage
	t.done()
}
