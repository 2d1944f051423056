package configs

import (
	"fmt"

	"nightcell/integrate/matter"
)

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
		if s.Port == PortToFill {
			key := "supply." + s.Name + ".port"
			list = append(list, Mistake{File: c.file, Line: c.lines[key], Key: key, Wrong: "the port is not filled in yet",
				Remedy: "write the device or tcp://host:port of the supply there; nightcell ports lists the devices"})
		}
	}
	return list
}

// metalOfSalts is the metal that the salts hold if they hold just one to be won, else "": then the plan says what is wrong.
func metalOfSalts(salts []Salt) string {
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
