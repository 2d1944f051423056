package simulated

import (
	"strconv"

	"nightcell/drivers"
	"nightcell/drivers/simulated/language"
)

// listen builds the SCPI side of the instrument.
func (i *Instrument) listen() {
	volts := func(c *channel) (float64, float64) { return c.RangeVolts, 0 }
	amperes := func(c *channel) (float64, float64) { return c.RangeAmperes, c.RangeAmperes * 0.1 }
	above := func(span func(*channel) (float64, float64)) func(*channel) (float64, float64) {
		return func(c *channel) (float64, float64) { m, _ := span(c); return m * 1.1, m * 1.1 }
	}
	tripped := func(t trip) func(int) string { return i.ask(func(c *channel) string { return bit(c.tripped&t != 0) }) }
	i.listener = language.New(language.Options{
		Identity: func() string { return i.identity },
		Reset: func() {
			i.selected = 1
			for _, c := range i.channels {
				c.reset()
			}
		},
		Channels: len(i.channels), Selected: func() int { return i.selected },
		Commands: []language.Command{
			i.level("[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "V", volts, func(c *channel) *float64 { return &c.Volts }),
			i.level("[SOURce#]:CURRent[:LEVel][:IMMediate][:AMPLitude]", "A", amperes, func(c *channel) *float64 { return &c.Amperes }),
			i.level("[SOURce#]:VOLTage:PROTection[:LEVel]", "V", above(volts), func(c *channel) *float64 { return &c.ProtectVolts }),
			i.level("[SOURce#]:CURRent:PROTection[:LEVel]", "A", above(amperes), func(c *channel) *float64 { return &c.ProtectAmperes }),
			{Pattern: "[SOURce#]:VOLTage:PROTection:TRIPped", Query: tripped(overVoltage)},
			{Pattern: "[SOURce#]:CURRent:PROTection:TRIPped", Query: tripped(overCurrent)},
			{
				Pattern: "OUTPut#[:STATe]",
				Range:   func(int) language.Range { return language.Range{Flag: true} },
				Set: i.change(func(c *channel, on float64) error {
					if on != 0 && c.tripped != 0 {
						return language.SettingsConflict
					}
					c.On = on != 0
					return nil
				}),
				Query: i.ask(func(c *channel) string { return bit(c.On) }),
			},
			{Pattern: "OUTPut#:PROTection:CLEar", Set: i.change(func(c *channel, _ float64) error { c.tripped = 0; return nil })},
			{Pattern: "MEASure#[:SCALar]:VOLTage[:DC]", Query: i.ask(func(c *channel) string { v, _ := i.meter(c); return language.Decimal(v) })},
			{Pattern: "MEASure#[:SCALar]:CURRent[:DC]", Query: i.ask(func(c *channel) string { _, a := i.meter(c); return language.Decimal(a) })},
			{
				Pattern: "INSTrument:NSELect",
				Range: func(int) language.Range {
					return language.Range{Minimum: 1, Maximum: float64(len(i.channels)), Default: 1}
				},
				Set:   func(_ int, v float64) error { i.selected = int(v + 0.5); return nil },
				Query: func(int) string { return strconv.Itoa(i.selected) },
			},
			{Pattern: "STATus:QUEStionable#:CONDition", Query: i.ask(i.questionable)},
		},
	})
}

// ask answers a query for one channel.
func (i *Instrument) ask(item func(c *channel) string) func(int) string {
	return func(number int) string { return item(i.channels[number-1]) }
}

// change applies a setting to one channel.
func (i *Instrument) change(apply func(c *channel, value float64) error) func(int, float64) error {
	return func(number int, value float64) error {
		c := i.channels[number-1]
		err := apply(c, value)
		c.fresh = false
		c.settle(i.at, i.night.weather(number, i.at))
		return err
	}
}

// level is a numeric setting with its query, which also answers MINimum and MAXimum.
func (i *Instrument) level(pattern, unit string, span func(*channel) (most, standard float64), field func(*channel) *float64) language.Command {
	return language.Command{
		Pattern: pattern,
		Range: func(number int) language.Range {
			most, standard := span(i.channels[number-1])
			return language.Range{Maximum: most, Default: standard, Unit: unit}
		},
		Set:   i.change(func(c *channel, value float64) error { *field(c) = value; return nil }),
		Query: i.ask(func(c *channel) string { return language.Decimal(*field(c)) }),
	}
}

func bit(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// questionable is the condition register of one channel.
//
//	0 VOLTage  volts are not held: the channel regulates current
//	1 CURRent  current is not held: the channel regulates volts
//	4 TEMPerature  over-temperature has tripped
//	11, 12 (the designer's, invented here)  over-voltage, over-current has tripped
//
// That a regulated quantity is what questions the other is from memory of SCPI-1999, volume 4.
func (i *Instrument) questionable(c *channel) string {
	bits := 0
	switch c.mode(c.settle(i.at, i.night.weather(c.number, i.at))) {
	case drivers.ConstantCurrent:
		bits = 1 << 0
	case drivers.ConstantVoltage:
		bits = 1 << 1
	}
	for t, b := range map[trip]int{overTemperature: 4, overVoltage: 11, overCurrent: 12} {
		if c.tripped&t != 0 {
			bits |= 1 << b
		}
	}
	return strconv.Itoa(bits)
}
