package simulated

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"nightcell/drivers"
	"nightcell/drivers/simulated/language"
)

// listen builds the SCPI side of the instrument.
func (i *Instrument) listen() {
	i.listener = language.New(language.Options{
		Commands: slices.Concat(i.sourceCommands(), i.measureCommands(), i.systemCommands(), i.statusCommands()),
		Identity: func() string { return i.identity },
		Reset: func() {
			i.selected = 0
			for _, c := range i.channels {
				c.reset()
			}
		},
	})
}

// targets are the channels a command is meant for: those of its list, of its header suffix, or the selected one.
func (i *Instrument) targets(c *language.Call) ([]int, error) {
	list, err := c.Channels(len(i.channels))
	if err != nil || list != nil {
		return list, err
	}
	if n, ok := c.Suffix(); ok {
		if n > len(i.channels) {
			return nil, language.Error{Number: language.SuffixOutOfRange, Info: strconv.Itoa(n)}
		}
		return []int{n}, nil
	}
	return []int{i.selected + 1}, nil
}

// ask answers a query with one item per target channel.
func (i *Instrument) ask(item func(number int, c *channel) string) func(*language.Call) (string, error) {
	return func(call *language.Call) (string, error) {
		list, err := i.targets(call)
		if err != nil {
			return "", err
		}
		return i.answer(list, item), nil
	}
}

// answer joins one item per channel.
func (i *Instrument) answer(list []int, item func(number int, c *channel) string) string {
	out := make([]string, len(list))
	for k, n := range list {
		out[k] = item(n, i.channels[n-1])
	}
	return strings.Join(out, ",")
}

// change applies a setting to its target channels, unless the instrument waits for SYSTem:KLOCk ON.
func (i *Instrument) change(call *language.Call, apply func(c *channel)) error {
	list, err := i.targets(call)
	if err := done(call, err); err != nil {
		return err
	}
	if i.setup.NeedsLock && !i.locked {
		return language.Error{Number: language.CommandProtected}
	}
	for _, n := range list {
		c := i.channels[n-1]
		apply(c)
		c.fresh = false
		c.settle(i.at, i.night.weather(n, i.at))
	}
	return nil
}

// done tells what was wrong with the parameters of a call, if anything, or that there are more of them.
func done(call *language.Call, err error) error {
	if err != nil {
		return err
	}
	return call.Done()
}

// level is a numeric setting with its query, which also answers MINimum and MAXimum.
func (i *Instrument) level(pattern, unit string, span func(*channel) (most, standard float64), field func(*channel) *float64) language.Command {
	limits := func(n int) language.Range {
		most, standard := span(i.channels[n-1])
		return language.Range{Maximum: most, Default: standard, Unit: unit}
	}
	return language.Command{
		Pattern: pattern,
		Set: func(call *language.Call) error {
			peek := *call // the targets, without using up the channel list
			list, err := i.targets(&peek)
			if err != nil {
				return err
			}
			v, err := call.Number(limits(list[0]))
			if err != nil {
				return err
			}
			for _, n := range list[1:] {
				if most, _ := span(i.channels[n-1]); v > most {
					return language.Error{Number: language.OutOfRange}
				}
			}
			return i.change(call, func(c *channel) { *field(c) = v })
		},
		Query: func(call *language.Call) (string, error) {
			list, err := i.targets(call)
			if err != nil {
				return "", err
			}
			if v, ok, err := call.Limit(limits(list[0])); ok || err != nil {
				return decimal(v), err
			}
			return i.answer(list, func(_ int, c *channel) string { return decimal(*field(c)) }), nil
		},
	}
}

// flag is an ON or OFF setting with its query.
func (i *Instrument) flag(pattern string, get func(*channel) bool, set func(*channel, bool) error) language.Command {
	return language.Command{
		Pattern: pattern,
		Set: func(call *language.Call) error {
			v, err := call.Boolean()
			if err != nil {
				return err
			}
			var refused error
			err = i.change(call, func(c *channel) { refused = cmp.Or(set(c, v), refused) })
			return cmp.Or(err, refused)
		},
		Query: i.ask(func(_ int, c *channel) string { return bit(get(c)) }),
	}
}

func bit(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// decimal writes NR2 with four places, as IEEE 488.2 8.7.3 allows.
func decimal(v float64) string { return strconv.FormatFloat(v, 'f', 4, 64) }

func (i *Instrument) sourceCommands() []language.Command {
	volts := func(c *channel) (float64, float64) { return c.setup.RangeVolts, 0 }
	amperes := func(c *channel) (float64, float64) { return c.setup.RangeAmperes, c.setup.RangeAmperes * 0.1 }
	above := func(span func(*channel) (float64, float64)) func(*channel) (float64, float64) {
		return func(c *channel) (float64, float64) { m, _ := span(c); return m * 1.1, m * 1.1 }
	}
	clear := func(t trip) func(*language.Call) error {
		return func(call *language.Call) error { return i.change(call, func(c *channel) { c.tripped &^= t }) }
	}
	tripped := func(t trip) func(*language.Call) (string, error) {
		return i.ask(func(_ int, c *channel) string { return bit(c.tripped&t != 0) })
	}
	always := func(*channel, bool) error { return nil } // the over-voltage trip cannot be disarmed
	return []language.Command{
		i.level("[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "V", volts, func(c *channel) *float64 { return &c.volts }),
		i.level("[SOURce#]:CURRent[:LEVel][:IMMediate][:AMPLitude]", "A", amperes, func(c *channel) *float64 { return &c.amperes }),
		i.level("[SOURce#]:VOLTage:PROTection[:LEVel]", "V", above(volts), func(c *channel) *float64 { return &c.protectVolts }),
		i.level("[SOURce#]:CURRent:PROTection[:LEVel]", "A", above(amperes), func(c *channel) *float64 { return &c.protectAmperes }),
		i.flag("[SOURce#]:VOLTage:PROTection:STATe", func(*channel) bool { return true }, always),
		i.flag("[SOURce#]:CURRent:PROTection:STATe", func(c *channel) bool { return c.protectCurrent }, func(c *channel, on bool) error { c.protectCurrent = on; return nil }),
		{Pattern: "[SOURce#]:VOLTage:PROTection:TRIPped", Query: tripped(overVoltage)},
		{Pattern: "[SOURce#]:CURRent:PROTection:TRIPped", Query: tripped(overCurrent)},
		{Pattern: "[SOURce#]:VOLTage:PROTection:CLEar", Set: clear(overVoltage)},
		{Pattern: "[SOURce#]:CURRent:PROTection:CLEar", Set: clear(overCurrent)},
		i.flag("OUTPut#[:STATe]", func(c *channel) bool { return c.on }, func(c *channel, on bool) error {
			if on && c.tripped != 0 {
				return language.Error{Number: language.SettingsConflict, Info: "protection tripped"}
			}
			c.on = on
			return nil
		}),
		{Pattern: "OUTPut#:PROTection:TRIPped", Query: tripped(overVoltage | overCurrent | overTemperature)},
		{Pattern: "OUTPut#:PROTection:CLEar", Set: clear(overVoltage | overCurrent | overTemperature)},
	}
}

func (i *Instrument) measureCommands() []language.Command {
	var out []language.Command
	for _, head := range []string{"MEASure#", "FETCh#"} {
		for name, pick := range map[string]func(v, a float64) float64{
			"VOLTage": func(v, _ float64) float64 { return v },
			"CURRent": func(_, a float64) float64 { return a },
			"POWer":   func(v, a float64) float64 { return v * a },
		} {
			out = append(out, language.Command{
				Pattern: head + "[:SCALar]:" + name + "[:DC]",
				Query: i.ask(func(n int, c *channel) string {
					v, a := i.meter(n, c, i.night.weather(n, i.at))
					return decimal(pick(v, a))
				}),
			})
		}
	}
	return out
}

func (i *Instrument) systemCommands() []language.Command {
	names := make([]string, len(i.channels))
	for n := range names {
		names[n] = fmt.Sprintf("BAY%d", n+1)
	}
	return []language.Command{
		{
			Pattern: "SYSTem:KLOCk",
			Set: func(call *language.Call) error {
				on, err := call.Boolean()
				if err := done(call, err); err != nil {
					return err
				}
				i.locked = on
				return nil
			},
			Query: func(*language.Call) (string, error) { return bit(i.locked), nil },
		},
		{
			Pattern: "INSTrument:NSELect",
			Set: func(call *language.Call) error {
				v, err := call.Number(language.Range{Minimum: 1, Maximum: float64(len(i.channels)), Default: 1})
				if err := done(call, err); err != nil {
					return err
				}
				i.selected = int(v+0.5) - 1
				return nil
			},
			Query: func(*language.Call) (string, error) { return strconv.Itoa(i.selected + 1), nil },
		},
		{
			Pattern: "INSTrument[:SELect]",
			Set: func(call *language.Call) error {
				n, err := call.Word(names...)
				if err := done(call, err); err != nil {
					return err
				}
				i.selected = n
				return nil
			},
			Query: func(*language.Call) (string, error) { return strings.ToUpper(names[i.selected]), nil },
		},
		{Pattern: "INSTrument:CATalog", Query: func(*language.Call) (string, error) {
			return `"` + strings.ToUpper(strings.Join(names, `","`)) + `"`, nil
		}},
	}
}

// conditions are the SCPI condition registers of one channel.
//
//	QUEStionable 0 VOLTage  volts are not held: the channel regulates current
//	             1 CURRent  current is not held: the channel regulates volts
//	             4 TEMPerature  over-temperature has tripped
//	             11, 12 (the designer's, invented here)  over-voltage, over-current has tripped
//	OPERation    none
//
// That a regulated quantity is what questions the other is from memory of SCPI-1999, volume 4.
func (i *Instrument) conditions(number int) (questionable int) {
	c := i.channels[number-1]
	switch c.mode(c.settle(i.at, i.night.weather(number, i.at))) {
	case drivers.ConstantCurrent:
		questionable = 1 << 0
	case drivers.ConstantVoltage:
		questionable = 1 << 1
	}
	for t, b := range map[trip]int{overTemperature: 4, overVoltage: 11, overCurrent: 12} {
		if c.tripped&t != 0 {
			questionable |= 1 << b
		}
	}
	return questionable
}

// statusCommands ask for the conditions of a channel, by list, by selection, or as INSTrument:ISUMmary<n>.
func (i *Instrument) statusCommands() (out []language.Command) {
	for _, under := range []string{"", ":INSTrument:ISUMmary#"} {
		out = append(out,
			language.Command{Pattern: "STATus:QUEStionable" + under + ":CONDition", Query: i.ask(func(n int, _ *channel) string { return strconv.Itoa(i.conditions(n)) })},
			language.Command{Pattern: "STATus:OPERation" + under + ":CONDition", Query: i.ask(func(int, *channel) string { return "0" })})
	}
	return out
}
