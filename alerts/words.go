package alerts

import (
	"fmt"
	"time"
)

// describe says in plain words what is wrong with c at this moment.
func (b *Board) describe(c Condition, o *Observation, v *verdict) string {
	since := b.m.Alarms[c].RawUTC.Format("15:04:05 UTC")
	switch c {
	case OverCurrent:
		return fmt.Sprintf("current %.4g A is above the limit of %.4g A since %s", v.value, v.limit, since)
	case CurrentDensity:
		return fmt.Sprintf("current density %.4g A/m² is above the %.4g A/m² that the deposit stands, since %s", v.value, v.limit, since)
	case OverVoltage:
		return fmt.Sprintf("%.4g V is above the limit of %.4g V since %s", v.value, v.limit, since)
	case HardShort:
		return fmt.Sprintf("%.4g A flow at %.4g V, under the %.4g V that winning metal needs, since %s: electrons cross metal", o.Amperes, v.value, v.limit, since)
	case LeadOff:
		return fmt.Sprintf("output on at %.4g V, but only %.3g A flow since %s: a lead or clip is off or corroded through", o.Volts, v.value, since)
	case SupplySilent:
		return fmt.Sprintf("no good answer from the supply for %s", span(v.value))
	case VoltageDrift:
		return fmt.Sprintf("the cell has left its corridor of %s", b.corridorWords())
	case TargetReached:
		return fmt.Sprintf("target reached: %.4g A·h counted of %.4g A·h", v.value/3600, v.limit/3600)
	case TargetNear:
		return fmt.Sprintf("the target is about %s away", span(v.value))
	}
	return c.String() + " holds since " + since
}

func (b *Board) corridorWords() string {
	k := &b.m.Corridor
	unit, centre := "V", k.Centre
	if b.m.Regulation == ConstantVoltage {
		unit, centre = "A", -centre
	}
	return fmt.Sprintf("%.4g ± %.2g %s: %+.3g %s", centre, k.Width(b.corridorSettings().HalfWidth), unit, k.Departure(), unit)
}

// aftermath says in plain words how an alarm went from one state to another without being raised.
func (b *Board) aftermath(c Condition, from, to State, why string) string {
	a := &b.m.Alarms[c]
	text := fmt.Sprintf("%s: %s to %s", c, from, to)
	switch {
	case to == ACKED || from.Unanswered() && a.By != "" && (to == NORM || to == LTACK):
		text = fmt.Sprintf("%s acknowledged by %s", c, a.By)
	case to == NORM || to == RTNUN:
		text = c.String() + " is over"
	case to == LTUNK || to == LTACK:
		text = c.String() + " is over and kept until it is reset"
	}
	if why != "" {
		text += " (" + why + ")"
	}
	return text
}

// span writes a length of time in seconds as people say it.
func span(s float64) string {
	d := time.Duration(s * float64(time.Second))
	switch {
	case d < 2*time.Minute:
		return d.Round(time.Second).String()
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}
