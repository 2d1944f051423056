package alerts

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"
)

// diagnosed are the conditions whose text carries a diagnosis from volts and amperes;
// the others say themselves what they are.
var diagnosed = of(HardShort, LeadOff, AnodePassivation, Whisker, Contact, StirrerStopped, Depletion, OhmicRise,
	ModeFlip, VoltageLimit, VoltageDrift, OverVoltage, ThermalRunaway)

// supplyCauses are the likeliest cause and the runner-up of what is not in the cell.
var supplyCauses = map[Condition]Diagnosis{
	SupplySilent:      {Likeliest: "the cable or its adapter is loose", RunnerUp: "the mains has failed", Tells: "check whether the supply's display is on"},
	LineLost:          {Likeliest: "the supply or its interface restarted after a mains dip", RunnerUp: "a loose plug or adapter, or a disturbed line", Tells: "check the supply's display and other clocks in the room"},
	MainsInterruption: {Likeliest: "the mains failed briefly", RunnerUp: "somebody unplugged or restarted the supply", Tells: "check other clocks in the room"},
	OutputOff:         {Likeliest: "a mains dip too short to restart the supply", RunnerUp: "somebody pressed the output key", Tells: "ask; check other clocks in the room"},
	SetPointsChanged:  {Likeliest: "somebody changed it at the front panel", RunnerUp: "another program commands the supply", Tells: "ask"},
	ReadingFrozen:     {Likeliest: "the supply repeats an old reading", RunnerUp: "its meter has failed", Tells: "compare the display with the page"},
	OverCurrent:       {Likeliest: "the current set-point is too high", RunnerUp: "a short circuit or heating at constant voltage", Tells: "read the set-point and the mode"},
	GapTooLong:        {Likeliest: "the supply did not answer or nightcell was stopped (see the log), and the supply kept running", RunnerUp: "the supply was off", Tells: "check its display and the deposit"},
}

// describe says in plain words what is wrong with c at this moment.
func (b *Board) describe(c Condition, o *Observation, v *verdict) (string, Diagnosis) {
	text := b.fact(c, o, v)
	d := supplyCauses[c]
	if c == SupplySilent && o.SharedWith != "" {
		d = Diagnosis{Likeliest: "the answers go to " + o.SharedWith, RunnerUp: d.Likeliest, Tells: "end that program"}
	}
	if diagnosed.has(c) {
		d = b.Diagnose(o)
	}
	if s := d.String(); s != "" {
		text += ". " + s
	}
	if after := b.m.Alarms[c].After; after != None {
		text += ". It followed " + after.String()
	}
	if b.m.Alarms[c].Chattering {
		text += fmt.Sprintf(". It is chattering; it stays active until quiet for %s", span(b.limits.Chatter.Hold.Seconds()))
	}
	return strings.ToUpper(text[:1]) + text[1:] + ".", d
}

// fact is the first part of a text: what was found and since when.
func (b *Board) fact(c Condition, o *Observation, v *verdict) string {
	since := b.m.Alarms[c].RawUTC.Local().Format("since 15:04:05 MST") // whoever is woken looks at the clock on the wall
	switch c {
	case OffFailed:
		if !finite(o.Amperes) {
			return "the output was commanded off but nothing answers to confirm it"
		}
		return fmt.Sprintf("the output was commanded off but this could not be verified; %.3g A now", o.Amperes)
	case PortShared:
		return "answers from the supply are missing; its port is also open in " + o.SharedWith
	case LineLost:
		return "contact with the supply was lost and regained; no reading for " + span(v.value) + ", so the charge of that gap is a range"
	case SupplySilent:
		return "no good answer from the supply for " + span(v.value)
	case MainsInterruption:
		return "the supply has restarted after losing power; output " + o.Output.String() + "; nightcell never switches it on"
	case ProtectionTripped:
		return "the supply's " + o.Tripped + " protection has tripped"
	case OutputOff:
		return "the output is off, not by nightcell, " + since
	case SetPointsChanged:
		return fmt.Sprintf("a set-point is %.4g instead of %.4g (now %.4g V, %.4g A), %s", v.value, v.limit, o.SetVolts, o.SetAmperes, since)
	case ReadingFrozen:
		return fmt.Sprintf("voltage and current have not changed in the last digit for %s", span(v.value))
	case HardShort:
		if !finite(b.chemistry.FloorVolts) {
			return fmt.Sprintf("%.4g A at only %.3g V, below %.3g V, a third of the cell's baseline, %s", o.Amperes, v.value, v.limit, since)
		}
		return fmt.Sprintf("%.4g A at only %.3g V, below the minimum of %.3g V for depositing metal, %s", o.Amperes, v.value, v.limit, since)
	case LeadOff:
		return fmt.Sprintf("output on at %.4g V but only %.3g A, %s", o.Volts, v.value, since)
	case AnodePassivation:
		return fmt.Sprintf("the cell voltage jumped to %.4g V at %.4g A, %s", o.Volts, o.Amperes, since)
	case ThermalRunaway:
		return fmt.Sprintf("at constant %.4g V the current has risen to %.4g A, by %.2g A/h, and will reach its limit in about %s", o.Volts, o.Amperes, b.m.Features.Growth, span(v.value))
	case OverCurrent:
		return fmt.Sprintf("%.4g A is above the limit of %.4g A, %s", v.value, v.limit, since)
	case CurrentDensity:
		return fmt.Sprintf("%.3g A/dm² is above the limit of %.3g A/dm², %s", v.value/100, v.limit/100, since)
	case OverVoltage:
		return fmt.Sprintf("%.4g V is above the limit of %.4g V, %s", v.value, v.limit, since)
	case Whisker:
		return "brief dips or a lasting sudden fall of the cell voltage, above the minimum voltage, " + since
	case Contact:
		return "the current path is becoming resistive and noisy, or flickers, " + since
	case StirrerStopped:
		return fmt.Sprintf("the noise of the cell is %.1f times baseline, %s", v.value, since)
	case Depletion:
		return fmt.Sprintf("the current is %.0f %% of the limiting current, %s%s", 100*o.LimitingRatio, since, b.unseen())
	case OhmicRise:
		return "a slow rise that looks ohmic, " + since
	case ModeFlip:
		return fmt.Sprintf("the supply has changed to %s; the run was in %s, %s", o.Mode, b.m.Regulation, since)
	case VoltageLimit:
		return fmt.Sprintf("%.4g V is just below the voltage set-point of %.4g V, %s", o.Volts, o.SetVolts, since)
	case VoltageDrift:
		if !b.m.Corridor.Settled {
			return fmt.Sprintf("a rise of %.3g from the lowest level during warm-up, %s", b.m.Corridor.Departure(), since)
		}
		if b.popping() {
			return "slow rises that fall back in pops, " + since
		}
		if math.Abs(b.m.Corridor.Departure()) < v.limit {
			return "a lasting shift within the baseline: " + b.corridorWords() + ", " + since
		}
		return "outside the baseline: " + b.corridorWords() + ", " + since
	case GasVentilation:
		return fmt.Sprintf("the cell may make %s that needs %.2g m³/h of fresh air; %.2g m³/h is configured", cmp.Or(o.Gas, "gas"), v.value*perHour, v.limit*perHour)
	}
	return b.chargeFact(c, o, v)
}

// chargeFact is fact for the charge and the watch.
func (b *Board) chargeFact(c Condition, o *Observation, v *verdict) string {
	switch c {
	case GapTooLong:
		return fmt.Sprintf("no reading for %s; the charge of that gap is a range", span(v.value))
	case UncertaintyLarge:
		return fmt.Sprintf("the charge is uncertain by ±%.3g A·h (k = 2); the target is %.4g A·h", v.value/perHour, o.Target/perHour)
	case ChargeBehind:
		return fmt.Sprintf("the charge is %.3g A·h behind the plan", v.value/perHour)
	case ChargeAhead:
		return fmt.Sprintf("the charge is %.3g A·h ahead of the plan", v.value/perHour)
	case TargetNear:
		at := o.UTC.Local().Add(seconds(v.value))
		return fmt.Sprintf("about %s to the target, at about %s", span(v.value), at.Format("15:04 MST"))
	case TargetReached:
		return fmt.Sprintf("%.4g A·h counted; the target was %.4g A·h%s", v.value/perHour, v.limit/perHour, known(", about %.3g g on the cathode", 1000*o.Deposit))
	case TimeLimit:
		return fmt.Sprintf("the run has lasted %s, its limit", span(v.value))
	case MarginalEnergy:
		return fmt.Sprintf("the next gram takes %.3g W·h; the limit is %.3g W·h", v.value/1000/perHour, v.limit/1000/perHour)
	case LogDisk:
		if o.LogFailed {
			return "the run log cannot be written; lines are waiting in memory"
		}
		return fmt.Sprintf("%.3g MB free on the disk of the run log", v.value/1e6)
	case LogAltered:
		return o.LogAltered
	case PushBehind:
		return fmt.Sprintf("the database of push %s is %s behind", o.Push, span(v.value))
	case NotificationUndeliverable:
		return fmt.Sprintf("a notification has waited %s for route %s, which does not accept it", span(v.value), o.Route)
	}
	return c.String()
}

// Meaning is what an alarm means for the deposit of this cell, naming its metal where one is stated.
func (b *Board) Meaning(c Condition) string {
	text := catalogue[c].text.Meaning
	if c == GasVentilation && b.chemistry.ChlorineAtAnode {
		return "No effect on the deposit. Chlorine harms the lungs long before its smell is strong; hydrogen burns."
	}
	stops := of(MainsInterruption, ProtectionTripped, OutputOff, LeadOff)
	if !stops.has(c) || b.chemistry.Metal == "" {
		return text
	}
	text = "No metal is depositing"
	if rest := b.chemistry.AtRest; rest != "" {
		text += ": " + rest
	}
	text += "."
	switch {
	case b.chemistry.RedissolvesOff:
		text += " The bath attacks the " + b.chemistry.Metal + " deposit: take it out and rinse it, or restore the current by hand."
	case b.chemistry.SpoiledByPause:
		text += " Plating resumed over the " + b.chemistry.Metal + " deposit may peel: do not simply resume."
	}
	if l := b.chemistry.InterruptionLimit; l > 0 {
		text += " It tolerates about " + span(l.Seconds()) + "."
	}
	return text
}

// unseen adds to a depletion text what volts cannot show.
func (b *Board) unseen() string {
	if b.chemistry.DepletionVisible || b.chemistry.Metal == "" {
		return ""
	}
	return "; for " + b.chemistry.Metal + " this barely shows in voltage or current, so it is judged by charge and model alone"
}

func (b *Board) corridorWords() string {
	k := &b.m.Corridor
	unit, centre, departure := "V", k.Centre, k.Departure()
	if b.m.Regulation == ConstantVoltage {
		unit, centre, departure = "A", -centre, -departure
	}
	text := fmt.Sprintf("%.4g ± %.2g %s, now %+.3g %s away", centre, k.Width(b.halfWidth()), unit, departure, unit)
	if run := max(k.Sum.HighRun, k.Sum.LowRun); run > 1 && k.Settled {
		text += fmt.Sprintf("; the shift began about %s ago", span(float64(run)*b.m.History.Length))
	}
	return text
}

// aftermath says how an alarm went from one state to another without being raised.
// It leaves out the condition's name, which stands beside it wherever it is read.
func aftermath(from, to State, by, why string) string {
	done := aftermathWords(from, to)
	first, rest, _ := strings.Cut(done, ";")
	switch {
	case from.Hidden() && by == "" && why != "":
		return strings.ToUpper(why[:1]) + why[1:] + "; alarm back in service" + strings.TrimPrefix(done, first) + "."
	case by != "":
		first += " by " + by
	}
	if why != "" {
		first += " (" + why + ")"
	}
	if rest != "" {
		first += ";" + rest
	}
	return first + "."
}

// aftermathWords names a step of the lifecycle: what was done, and after a semicolon what is still so.
func aftermathWords(from, to State) string {
	switch {
	case from.Hidden() && to == UNACK:
		return "Back in service; active"
	case from.Hidden() && !to.Hidden():
		return "Back in service"
	}
	if words, ok := aftermaths[[2]State{from, to}]; ok {
		return words
	}
	return endings[to]
}

// endings name a step by where it ends, and aftermaths those for which that is not enough.
var (
	endings = [stateCount]string{
		NORM: "Cleared", UNACK: "Raised again", ACKED: "Acknowledged", RTNUN: "Cleared; not acknowledged",
		LTUNK: "Cleared; latched until acknowledged and reset", LTACK: "Cleared; latched until reset",
		SHLVD: "Shelved", DSUPR: "Suppressed", OOSRV: "Taken out of service",
	}
	aftermaths = map[[2]State]string{
		{LTUNK, RTNUN}: "Reset; not acknowledged",
		{LTUNK, LTACK}: "Acknowledged; cleared, latched until reset",
		{LTACK, NORM}:  "Reset; cleared",
		{RTNUN, NORM}:  "Acknowledged; cleared",
	}
)

// seconds makes a duration of a time in package trend's unit.
func seconds(s float64) time.Duration {
	return time.Duration(math.Max(-9e9, math.Min(s, 9e9)) * float64(time.Second))
}

// span writes a length of time in seconds as people say it.
func span(s float64) string {
	d := seconds(s)
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d > 30*24*time.Hour:
		return "more than a month"
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}

// figure is the one figure of an alarm for a subject line, in the units people read; "" when there is none.
func (b *Board) figure(c Condition, o *Observation, v *verdict) string {
	switch c {
	case SupplySilent, ReadingFrozen, GapTooLong, TimeLimit:
		return span(v.value)
	case OffFailed:
		return known("%.3g A", o.Amperes)
	case MainsInterruption:
		return "output " + o.Output.String()
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
	case MarginalEnergy:
		return known("%.3g W·h/g", v.value/1000/perHour)
	case LogDisk:
		if o.LogFailed {
			return "not written"
		}
		return known("%.3g MB free", v.value/1e6)
	case PushBehind:
		return o.Push + ", " + span(v.value)
	case NotificationUndeliverable:
		return o.Route + ", " + span(v.value)
	}
	return ""
}

// known formats figures, or is "" when one of them is not known.
func known(format string, figures ...float64) string {
	args := make([]any, len(figures))
	for i, f := range figures {
		if !finite(f) {
			return ""
		}
		args[i] = f
	}
	return fmt.Sprintf(format, args...)
}
