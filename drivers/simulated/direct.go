package simulated

import (
	"fmt"
	"strings"
	"time"

	"nightcell/drivers"
)

// Truth is what really happened on one channel, which no instrument tells.
type Truth struct {
	Charge        float64       `json:"true_charge_coulombs"`          // delivered by the supply
	CellCharge    float64       `json:"true_cell_charge_coulombs"`     // through the electrode reactions, without short circuits
	Energy        float64       `json:"true_energy_joules"`            // delivered by the supply
	DepositGrams  float64       `json:"true_deposit_grams"`            // on the cathode now
	HydrogenMoles float64       `json:"true_hydrogen_moles"`           // made
	MetalGrams    float64       `json:"true_bath_metal_grams"`         // in the catholyte
	Volume        float64       `json:"true_bath_volume_cubic_metres"` // of the catholyte
	Temperature   float64       `json:"true_bath_temperature_kelvins"` // of the catholyte
	Efficiency    float64       `json:"true_present_efficiency_ratio"` // share of the present current that wins metal
	Volts         float64       `json:"true_terminal_volts"`           // at the terminals
	Amperes       float64       `json:"true_terminal_amperes"`         // at the terminals
	At            time.Duration `json:"-"`                             // the instant it was taken, on the instrument's clock
	Concentration float64       `json:"-"`                             // metal in the catholyte, kg/m³ (the same figure in g/L)
	InitialGrams  float64       `json:"-"`                             // in the catholyte as the run began
	Wetted        float64       `json:"-"`                             // share of the plates under the liquid
	Output        bool          `json:"-"`
}

// Truth returns it up to the present of the clock. The channel is counted from 1; an unknown one gives the zero Truth.
func (i *Instrument) Truth(channel int) Truth { return i.TruthAt(channel, i.now()) }

// TruthAt is Truth at a given instant, for virtual time; an instant that is past gives the present.
func (i *Instrument) TruthAt(number int, at time.Duration) Truth {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(at)
	if number < 1 || number > len(i.channels) {
		return Truth{}
	}
	c := i.channels[number-1]
	p := c.settle(i.at, i.night.weather(number, i.at))
	t := Truth{At: i.at, Volts: p.Volts, Amperes: p.Amperes, Output: c.on}
	if c.cell == nil {
		return t
	}
	s := c.cell.Totals()
	t.Charge, t.Energy, t.CellCharge = s.Charge, s.Energy, s.CellCharge
	t.DepositGrams, t.HydrogenMoles = s.Deposit*1e3, s.Hydrogen
	t.MetalGrams, t.InitialGrams = s.BathMetal*1e3, s.InitialMetal*1e3
	t.Volume, t.Temperature, t.Wetted = s.Volume, s.Temperature, s.Wetted
	if s.Volume > 0 {
		t.Concentration = s.BathMetal / s.Volume
	}
	if p.CellAmperes > 0 {
		t.Efficiency = p.MetalAmperes / p.CellAmperes
	}
	return t
}

// Observe polls a channel in process at an instant of virtual time, without any line: what drivers.Supply's Poll
// would give, faults of the script included. The error is a *drivers.Refusal. It costs a few microseconds.
func (i *Instrument) Observe(channel int, at time.Duration) (drivers.Reading, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(at)
	r := drivers.Reading{At: i.at}
	if channel < 1 || channel > len(i.channels) {
		return r, fmt.Errorf("simulated: no channel %d; there are %d", channel, len(i.channels))
	}
	if reason := i.lost(i.night.wire(i.at)); reason != "" {
		return r, &drivers.Refusal{Reason: reason, Query: "MEAS"}
	}
	c, w := i.channels[channel-1], i.night.weather(channel, i.at)
	volts, amperes := i.meter(channel, c, w)
	r.Volts, r.Amperes = drivers.Volts(volts), drivers.Amperes(amperes)
	r.Mode, r.Output = c.mode(c.settle(i.at, w)), output(c.on)
	return r, nil
}

// ObserveStatus is what drivers.Supply's Status would give at an instant of virtual time. It does not empty the error queue.
func (i *Instrument) ObserveStatus(channel int, at time.Duration) (drivers.Status, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(at)
	s := drivers.Status{At: i.at}
	if channel < 1 || channel > len(i.channels) {
		return s, fmt.Errorf("simulated: no channel %d; there are %d", channel, len(i.channels))
	}
	if w := i.night.wire(i.at); i.dark || w.gone || w.silent {
		return s, &drivers.Refusal{Reason: drivers.NoReply, Query: "status"}
	}
	c := i.channels[channel-1]
	p := c.settle(i.at, i.night.weather(channel, i.at))
	s.Output, s.Mode = output(c.on), c.mode(p)
	s.SetVolts, s.SetAmperes = drivers.Volts(c.volts), drivers.Amperes(c.amperes)
	s.LimitVolts, s.LimitAmperes = drivers.Volts(c.protectVolts), drivers.Amperes(c.protectAmperes)
	s.Tripped, s.Errors = c.tripped.names(), i.listener.Errors()
	return s, nil
}

// IdentityAt is what *IDN? would give at an instant of virtual time.
func (i *Instrument) IdentityAt(at time.Duration) (drivers.Identity, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(at)
	if w := i.night.wire(i.at); i.dark || w.gone || w.silent {
		return drivers.Identity{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "*IDN?"}
	}
	f := append(strings.SplitN(i.identity, ",", 4), "", "", "")
	return drivers.Identity{Maker: f[0], Model: f[1], Serial: f[2], Firmware: f[3]}, nil
}

// meter measures, or repeats itself while the reading is frozen.
func (i *Instrument) meter(number int, c *channel, w weather) (volts, amperes float64) {
	if f, ok := i.frozen[number]; ok {
		return f[0], f[1]
	}
	return c.measure(i.at, w)
}

func output(on bool) drivers.Output {
	if on {
		return drivers.OutputOn
	}
	return drivers.OutputOff
}
