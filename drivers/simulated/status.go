package simulated

import (
	"fmt"
	"strconv"

	"nightcell/drivers"
	"nightcell/drivers/simulated/language"
)

// conditions are the SCPI condition registers of one channel.
//
//	QUEStionable 0 VOLTage  volts are not held: the channel regulates current
//	             1 CURRent  current is not held: the channel regulates volts
//	             4 TEMPerature  over-temperature has tripped
//	             9, 10 (designer's)  over-voltage, over-current has tripped
//	OPERation    8, 10 (designer's)  constant voltage, constant current
//
// Which bit a supply sets for which regulation is common practice, no source.
func (i *Instrument) conditions(number int) (questionable, operation int) {
	c := i.channels[number-1]
	switch c.mode(c.settle(i.at, i.night.weather(number, i.at))) {
	case drivers.ConstantCurrent:
		questionable, operation = 1<<0, 1<<10
	case drivers.ConstantVoltage:
		questionable, operation = 1<<1, 1<<8
	}
	for t, b := range map[trip]int{overTemperature: 4, overVoltage: 9, overCurrent: 10} {
		if c.tripped&t != 0 {
			questionable |= 1 << b
		}
	}
	return questionable, operation
}

// anyChannel joins the conditions of all channels, for the event registers and the status byte.
func (i *Instrument) anyChannel() (questionable, operation int) {
	for n := range i.channels {
		q, o := i.conditions(n + 1)
		questionable, operation = questionable|q, operation|o
	}
	return questionable, operation
}

// statusCommands build the two registers. Their events and enables belong to the whole instrument; their conditions are
// those of the channel asked for, by list, by selection, or as INSTrument:ISUMmary<n>.
func (i *Instrument) statusCommands() []language.Command {
	i.questionable = language.NewRegister(func() int { q, _ := i.anyChannel(); return q })
	i.operation = language.NewRegister(func() int { _, o := i.anyChannel(); return o })
	questionable := i.ask(func(n int, _ *channel) string { q, _ := i.conditions(n); return strconv.Itoa(q) })
	operation := i.ask(func(n int, _ *channel) string { _, o := i.conditions(n); return strconv.Itoa(o) })
	var out []language.Command
	for _, side := range []struct {
		name      string
		register  *language.Register
		condition func(*language.Call) (string, error)
	}{
		{"STATus:QUEStionable", i.questionable, questionable},
		{"STATus:OPERation", i.operation, operation},
	} {
		out = append(out, side.register.Commands(side.name)...)
		for _, under := range []string{"", ":INSTrument:ISUMmary#"} {
			out = append(out, language.Command{Pattern: fmt.Sprintf("%s%s:CONDition", side.name, under), Query: side.condition})
		}
	}
	return out
}
