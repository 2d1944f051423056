package main

import (
	"fmt"
	"strings"

	"nightcell/configs"
)

// registers are questions for what only the manual of a supply that speaks Modbus tells, as far as nobody has answered.
func (a *attach) registers() (open []question) {
	d := &a.doc
	together := d.get(d.supply("dialect.measure_both")) != nil
	for _, r := range [][3]string{
		{"identify", "What never changes, such as the serial number", "holding 0 text 10"},
		{"measure_volts", "The voltage at the output", "holding 16 uint16 0.01"},
		{"measure_amperes", "The current", "holding 17 uint16 0.001"},
		{"output", "Whether the output is on", "holding 18"},
		{"set_volts", "The voltage set-point", "holding 26 uint16 0.01"},
		{"set_amperes", "The current set-point", "holding 24 uint16 0.001"},
		{"off", "What switches the output off", "holding 18 = 0"},
		{"set_current", "What sets the current", "holding 24 uint16 0.001 = {amperes}"},
	} {
		key := d.supply("dialect." + r[0])
		if now := d.get(key); now != configs.PortToFill && (now != nil || together && strings.HasPrefix(r[0], "measure")) {
			continue
		}
		open = append(open, question{key, fmt.Sprintf("%s, in the form %q", r[1], r[2]), func() (string, string, error) {
			return configs.PortToFill, "From its manual. Addresses count from 0 here, in many manuals from 1.", nil
		}, func(text string) error {
			d.set(key, text)
			if text == configs.PortToFill {
				return nil
			}
			delete(d.why, key)
			return a.mistakeAt(key)
		}})
	}
	return open
}
