package alerts

import (
	"fmt"
	"math"
)

// figure is the one figure of an alarm for a subject line, in the units people read; "" when there is none.
func (b *Board) figure(c Condition, o *Observation, v *verdict) string {
	switch c {
	case SupplySilent, ReadingFrozen, GapTooLong, TimeLimit:
		return span(v.value)
	case OffFailed:
		return known("%.3g A", o.Amperes)
	case MainsInterruption:
		return "output " + onOff(o.Output)
	case ProtectionTripped:
		return o.Tripped
	case SetPointsChanged:
		return known("now %.4g V and %.4g A", o.SetVolts, o.SetAmperes)
	case LeadOff:
		return known("%.3g A at %.4g V", v.value, o.Volts)
	case HardShort, AnodePassivation, Whisker, Contact, StirrerStopped, OhmicRise, VoltageDrift:
		return known("%.3g V at %.3g A", o.Volts, o.Amperes)
	case ThermalRunaway:
		return known("%.4g A, %+.2g A/h", o.Amperes, b.m.Features.Growth)
	case OverCurrent:
		return known("%.4g A", v.value)
	case CurrentDensity:
		return known("%.3g A/dm²", v.value/100)
	case OverVoltage, VoltageLimit:
		return known("%.4g V", v.value)
	case Depletion:
		return known("%.0f %% of the limiting current", 100*o.LimitingRatio)
	case ModeFlip:
		return o.Mode.String()
	case GasVentilation:
		return known("%.2g m³/h of air needed", v.value*perHour)
	case UncertaintyLarge:
		return known("±%.3g A·h", v.value/perHour)
	case ChargeBehind, ChargeAhead, TargetReached:
		return known("%.4g A·h", v.value/perHour)
	case TargetNear:
		return "in about " + span(v.value)
	case MarginalGram:
		return known("%.3g W·h/g", v.value/1000/perHour)
	case LogDisk:
		if o.LogFailed {
			return "not written"
		}
		return known("%.3g MB free", v.value/1e6)
	case PushBehind:
		return o.Push + ", " + span(v.value)
	case NoticeUndeliverable:
		return o.Route + ", " + span(v.value)
	}
	return ""
}

// known formats figures, or is "" when one of them is not known.
func known(format string, figures ...float64) string {
	args := make([]any, len(figures))
	for i, f := range figures {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return ""
		}
		args[i] = f
	}
	return fmt.Sprintf(format, args...)
}
