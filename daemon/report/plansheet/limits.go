package plansheet

import (
	"fmt"
	"math"
	"slices"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

// Unlimited says which of the two limits that every cell needs is not stated.
func Unlimited(c *configs.Cell) (notes []string) {
	for quantity, limit := range map[string]float64{"current": c.Limits.Amperes, "voltage": c.Limits.Volts} {
		if math.IsNaN(limit) || math.IsInf(limit, 0) {
			notes = append(notes, fmt.Sprintf("no limit of the %s is stated, so over-%[1]s is never raised; state %[1]s in [cell.%[2]s.limits]", quantity, c.Name))
		}
	}
	slices.Sort(notes)
	return notes
}

// BrokenLimits says which limits the cell's own plan is expected to break. What the cell does not state enough of is not judged.
func BrokenLimits(s *configs.Supply, c *configs.Cell, p *bath.Plan) (notes []string) {
	if most := c.Limits.Run; most > 0 && p.Goal.Duration.Known() && p.Goal.Duration.Value > most.Seconds() {
		notes = append(notes, fmt.Sprintf("the run will take longer than limits.duration, %s", quantity.Format(quantity.Time, most.Seconds())))
	}
	if c.States.Current.Value > c.Limits.Amperes {
		notes = append(notes, "the working current is above limits.current; over-current will be raised at once")
	}
	a, err := electrolysis.Assess(c.Conditions(p, math.NaN()))
	if err != nil {
		return notes
	}
	band := fmt.Sprintf("%.1f to %.1f V, most likely %.1f V", a.Voltage.Low, a.Voltage.High, a.Voltage.Value)
	low, best, high := a.Voltage.Low, a.Voltage.Value, a.Voltage.High
	if v := a.Conditions.CellVolts; v.Known() {
		low, best, high = v.Value, v.Value, v.Value
		band = fmt.Sprintf("the stated %.3g V", v.Value)
	}
	for _, l := range []struct {
		key   string
		limit float64
		then  string
	}{{"limits.voltage", c.Limits.Volts, "the alarm will be raised"}, {"the range of the supply", s.RangeVolts, "the current will not be reached"}} {
		switch limit := quantity.Format(quantity.Voltage, l.limit); {
		case l.limit < low:
			notes = append(notes, fmt.Sprintf("%s is %s, and the plan expects %s: %s", l.key, limit, band, l.then))
		case l.limit < best:
			notes = append(notes, fmt.Sprintf("%s is %s, and the plan expects %s: most likely %s", l.key, limit, band, l.then))
		case l.limit < high:
			notes = append(notes, fmt.Sprintf("%s is %s, within the expected %s: possibly %s", l.key, limit, band, l.then))
		}
	}
	if most := c.Limits.AmperesPerSquareMetre; a.CathodeDensity.Value > most {
		notes = append(notes, fmt.Sprintf("the working current is %s on the cathode, above limits.current_density, %s: current-density will be raised", quantity.Round(quantity.CurrentDensity, a.CathodeDensity.Value, 3), quantity.Round(quantity.CurrentDensity, most, 3)))
	}
	return notes
}
