package configs

import (
	"cmp"
	"fmt"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
)

// Cell is one cell on one channel of a supply.
type Cell struct {
	Name     string
	Supply   string
	Channel  int
	Parallel []int // further channels of the supply on the same cell
	Series   int   // cells on this channel, one after the other, this one included
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
	Working    Working
	Room       Room
	Limits     alerts.Limits
	Reactions  []alerts.Reaction // in the order of the conditions
}

// Room is the place the cell stands in. Values that are not stated have a NaN SI.
type Room struct {
	Ventilation          quantity.Value // m3/s of fresh air
	Volume               quantity.Value // m3
	Kelvin               quantity.Value
	PricePerKilowattHour quantity.Value // in the money of the place
}

func readRoom(t *table) Room {
	r := Room{
		Ventilation:          t.stated("ventilation", notNegative, quantity.VolumeFlow),
		Volume:               t.stated("volume", positive, quantity.Volume),
		Kelvin:               t.stated("temperature", liquidWater, quantity.Temperature),
		PricePerKilowattHour: t.stated("price_per_kwh", notNegative, quantity.Number),
	}
	t.done()
	return r
}

const (
	mostChannels = 64
	mostInSeries = 100
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
		Poll:   t.duration("poll", defaultPoll, 20*time.Millisecond),
		Sync:   t.duration("sync", defaultSync, 0),
		Reason: t.text("reason", ""),
	}
	c.GapAfter = t.duration("gap_after", max(gapPolls*c.Poll, shortestGap), 0)
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
	c.Room = readRoom(t.orEmpty("room"))
	t.done()
	return c
}

// readChemistry reads what is in the bath and what is wanted of it.
func (c *Cell) readChemistry(t *table) {
	metal := ""
	if b := t.sub("bath"); b != nil {
		c.Bath = readBath(b)
	} else if t.doc.draft {
		c.Bath = readBath(t.child("bath", nil))
	}
	if c.Bath != nil {
		metal = c.Bath.Metal
		c.Bath.Name = cmp.Or(c.Bath.Name, c.Name)
	}
	c.Electrodes = readElectrodes(t.orEmpty("electrodes"), metal)
	if g := t.sub("target"); g != nil {
		c.Target = readTarget(g)
	} else if t.doc.draft {
		c.Target = &Target{Value: unstated()}
	}
	c.Efficiency = readEfficiency(t.orEmpty("efficiency"))
	c.Working = readWorking(t.orEmpty("working"))
}

// acts are the words of the file for what becomes of an output.
var acts = map[string]alerts.Act{"notify": alerts.Notify, "leave": alerts.Notify, "hold": alerts.Hold, "off": alerts.Off}

// The forms a target can be stated in.
const (
	Recover       = "recover"         // a share of the metal in the bath
	Concentration = "concentration"   // what remains, mass or amount
	Deposit       = "deposit"         // a mass on the cathode
	Thickness     = "thickness"       // over the cathode's area
	Charge        = "charge"          // plain
	Marginal      = "marginal_energy" // until the next gram costs more
)

// Target is what is wanted of a run: one form and its value.
type Target struct {
	Form  string
	Value quantity.Value
}

func readTarget(t *table) *Target {
	forms := map[string]quantity.Value{
		Recover:       t.stated(Recover, share, quantity.Fraction),
		Concentration: t.stated(Concentration, positive, concentrations...),
		Deposit:       t.stated(Deposit, positive, quantity.Mass),
		Thickness:     t.stated(Thickness, positive, quantity.Length),
		Charge:        t.stated(Charge, positive, quantity.Charge),
		Marginal:      t.stated(Marginal, positive, quantity.EnergyPerMass),
	}
	g := &Target{Form: t.exactlyOne("target", Recover, Concentration, Deposit, Thickness, Charge, Marginal), Value: unstated()}
	if g.Form != "" {
		g.Value = forms[g.Form]
	}
	t.done()
	return g
}

// Efficiency is how much of the charge becomes metal.
type Efficiency struct {
	// Initial is the efficiency before transport limits it, or the only one; when its
	// SI is NaN, the usual one of the metal in its medium is taken.
	Initial quantity.Value
	// MassTransfer is the coefficient k_m, m/s. With it or Stirring the efficiency falls
	// as the bath is emptied; with neither it is fixed.
	MassTransfer quantity.Value
	Stirring     bath.Stirring
	// Learned asks for what earlier runs of this cell gave; what stands here then holds before the first of them. See Config.Taught.
	Learned bool
}

func readEfficiency(t *table) Efficiency {
	fixed := t.stated("fixed", share, quantity.Fraction)
	e := Efficiency{
		Initial:      t.stated("initial", share, quantity.Fraction),
		MassTransfer: t.stated("mass_transfer", positive, quantity.Velocity),
		Stirring:     bath.Stirring(t.choice("stirring", "", "still", "bubble", "forced")),
		Learned:      t.flag("learned", false),
	}
	transport := t.has("mass_transfer") || t.has("stirring")
	switch {
	case t.has("fixed") && (transport || t.has("initial")):
		t.bad("fixed", "a fixed efficiency does not go with initial, mass_transfer or stirring", "keep fixed alone, or write initial with mass_transfer or stirring")
	case t.has("mass_transfer") && t.has("stirring"):
		t.bad("stirring", "mass_transfer is written too", "keep one of the two")
	case t.has("initial") && !transport:
		t.bad("initial", "it says nothing without the transport that limits it later", `add stirring = "still", "bubble" or "forced", or mass_transfer, or write fixed in its place`)
	case t.has("fixed"):
		e.Initial = fixed
	}
	t.done()
	return e
}

// What a supply is set to hold.
const HoldsCurrent, HoldsVoltage = "current", "voltage"

// Working is how the cell is meant to be run. Values that are not stated have a NaN SI.
type Working struct {
	Current quantity.Value // A
	Voltage quantity.Value // V, at the cell
	Holds   string         // what the supply holds: "current" or "voltage", whose first current is then Current
}

func readWorking(t *table) Working {
	w := Working{t.stated("current", positive, quantity.Current), t.stated("voltage", positive, quantity.Voltage), t.choice("holds", HoldsCurrent, HoldsCurrent, HoldsVoltage)}
	t.done()
	return w
}
