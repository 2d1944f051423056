package alerts

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"strings"
	"time"
)

// About is what a person wants to know about a condition; Board.Meaning says for the cell at hand what it means for the deposit.
type About struct {
	Confirms string // what else would be seen if it is so
	Meaning  string // what it means for the deposit
	First    string // what to do first
}

// About returns the catalogue's words on c.
func (c Condition) About() About { return catalogue().rows[c].About }

// Blind says plainly what this watch cannot see: what no volt or ampere shows, what
// this metal hides, and what this supply or this moment withholds.
func (b *Board) Blind() []string {
	says := []string{
		"Voltage and current do not show pH, which metal is plating, current efficiency, a leak before the electrodes are exposed, gas in the room, a failed fan, or one shorted electrode among several.",
	}
	c, m := &b.chemistry, &b.m
	switch {
	case c.DepletionVisible:
		says = append(says, "For "+c.Metal+" depletion shows as a rise of 0.5 to 1 V, but late: take assays.")
	case c.Metal != "":
		says = append(says, "For "+c.Metal+" depletion barely shows in voltage or current: rely on charge, model and assay.")
	}
	if !finite(c.FloorVolts) {
		says = append(says, "No minimum voltage is known for this cell, so a hard short is judged only against its own baseline.")
	}
	if !m.Started {
		return says
	}
	if m.Running && !m.Corridor.Settled {
		says = append(says, "The baseline is being learned ("+m.Why+"): contact, stirrer-stopped and ohmic-rise are suppressed, and voltage-drift sees only a rise.")
	}
	if m.Running && m.Repeats.Blocks >= 15 && !m.Repeats.lively() {
		says = append(says, "This supply's readings are so coarse that they often repeat; a frozen reading cannot be recognised.")
	}
	if m.Running && m.Regulation == ModeUnknown {
		says = append(says, "The supply does not report, or has not reported long enough, whether it is in CC or CV mode.")
	}
	if m.Running && !finite(float64(m.Set.Amperes)) {
		says = append(says, "The supply does not report its current set-point; a change shows only by its effect.")
	}
	return says
}

// diagnosed are the conditions whose text carries a diagnosis from volts and amperes;
// the others say themselves what they are.
var diagnosed = of(HardShort, LeadOff, AnodePassivation, Whisker, Contact, StirrerStopped, Depletion, OhmicRise,
	ModeFlip, VoltageLimit, VoltageDrift, OverVoltage, ThermalRunaway)

// describe says in plain words what is wrong with c at this moment.
func (b *Board) describe(c Condition, o *Observation, v *verdict) string {
	text := b.fact(c, o, v)
	d := catalogue().rows[c].Diagnosis
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
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// fact is the first part of a text: what was found and since when.
func (b *Board) fact(c Condition, o *Observation, v *verdict) string {
	fact := catalogue().rows[c].Fact
	switch {
	case c == OffFailed && !finite(o.Amperes):
		fact = "the output was commanded off but nothing answers to confirm it"
	case c == HardShort && !finite(b.chemistry.FloorVolts):
		fact = "${amperes:.4g} A at only ${value:.3g} V, below ${limit:.3g} V, a third of the cell's baseline, ${since}"
	case c == SupplySilent && !o.HasReading && finite(o.Amperes):
		fact += "; the second meter shows ${amperes:.4g} A, and its readings count meanwhile"
	case c == LineLost && o.Gap == 0:
		fact = "contact with the supply was lost for ${span} and regained; the second meter counted meanwhile"
	case c == LogDisk && o.LogFailed:
		fact = "the run log cannot be written; lines are waiting in memory"
	}
	text, _ := b.said(fact, c, o, v)
	return text
}

// figure is the one figure of an alarm for a subject line, in the units people read; "" when there is none.
func (b *Board) figure(c Condition, o *Observation, v *verdict) string {
	if c == LogDisk && o.LogFailed {
		return "not written"
	}
	if text, known := b.said(catalogue().rows[c].Figure, c, o, v); known {
		return text
	}
	return ""
}

// said fills in a text of the catalogue: ${name:format} stands for a figure in the units people read, ${name} for words. known is false
// where one of its figures is not.
func (b *Board) said(text string, c Condition, o *Observation, v *verdict) (said string, known bool) {
	figures := map[string]float64{
		"value": v.value, "limit": v.limit, "volts": o.Volts, "amperes": o.Amperes, "set_volts": o.SetVolts, "set_amperes": o.SetAmperes,
		"density": v.value / 100, "density_limit": v.limit / 100, "load": 100 * o.LimitingRatio, "growth": b.m.Features.Growth,
		"air": v.value * perHour, "air_limit": v.limit * perHour, "charge": v.value / perHour, "charge_limit": v.limit / perHour, "target": o.Target / perHour,
		"energy": v.value / 1000 / perHour, "energy_limit": v.limit / 1000 / perHour, "megabytes": v.value / 1e6, "meter_shows": o.Meter.Shows, "supply_shows": o.Meter.Supply,
	}
	known = true
	said = os.Expand(text, func(name string) string {
		if name, format, ok := strings.Cut(name, ":"); ok {
			known = known && finite(figures[name])
			return fmt.Sprintf("%"+format, figures[name])
		}
		switch name {
		case "span":
			return span(v.value)
		case "since": // whoever is woken looks at the clock on the wall
			return b.m.Alarms[c].RawUTC.Local().Format("since 15:04:05 MST")
		case "end":
			return o.UTC.Local().Add(seconds(v.value)).Format("15:04 MST")
		case "drift":
			return b.drifting(v)
		case "deposit":
			if finite(o.Deposit) {
				return fmt.Sprintf(", about %.3g g on the cathode", 1000*o.Deposit)
			}
		}
		return map[string]string{
			"shared": o.SharedWith, "output": o.Output.String(), "tripped": o.Tripped, "mode": o.Mode.String(), "regulation": b.m.Regulation.String(),
			"gas": cmp.Or(o.Gas, "gas"), "unseen": b.unseen(), "altered": o.LogAltered, "push": o.Push, "route": o.Route, "meter": o.Meter.Name, "unit": o.Meter.Unit,
		}[name]
	})
	return said, known
}

// drifting says how the signal has left its baseline.
func (b *Board) drifting(v *verdict) string {
	switch departure := b.m.Corridor.Departure(); {
	case !b.m.Corridor.Settled:
		return fmt.Sprintf("a rise of %.3g from the lowest level during warm-up", departure)
	case b.popping():
		return "slow rises that fall back in pops"
	case math.Abs(departure) < v.limit:
		return "a lasting shift within the baseline: " + b.corridorWords()
	}
	return "outside the baseline: " + b.corridorWords()
}

// Meaning is what an alarm means for the deposit of this cell, naming its metal where one is stated.
func (b *Board) Meaning(c Condition) string {
	text := catalogue().rows[c].Meaning
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
