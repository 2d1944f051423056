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

// anyChannel joins the conditions of all channels, for the event registers and the status byte.
func (i *Instrument) anyChannel() (questionable int) {
	for n := range i.channels {
		questionable |= i.conditions(n + 1)
	}
	return questionable
}

// statusCommands build the two registers. Their events and enables belong to the whole instrument; their conditions are
// those of the channel asked for, by list, by selection, or as INSTrument:ISUMmary<n>.
func (i *Instrument) statusCommands() []language.Command {
	i.questionable = language.NewRegister(i.anyChannel)
	i.operation = language.NewRegister(func() int { return 0 })
	questionable := i.ask(func(n int, _ *channel) string { return strconv.Itoa(i.conditions(n)) })
	operation := i.ask(func(int, *channel) string { return "0" })
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
