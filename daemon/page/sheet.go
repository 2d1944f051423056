package page

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/history"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/electrolysis"
)

// group is a heading with its figures.
type group struct {
	Title string
	Rows  []row
}

// row is one figure in the trade's words and units.
type row struct{ Key, Label, Value, Note string }

// sheet is everything the screen of a cell shows in figures.
func (p *Page) sheet(c *snapshot.Cell, hand map[string]history.Hand, now time.Time) []group {
	return []group{
		{"Charge", p.chargeRows(c)},
		{"Supply", p.supplyRows(c, now)},
		{"Cathode and bath", bathRows(c)},
		{"Energy, gas, water", loadRows(c)},
		{"By hand", p.handRows(hand, now)},
		{"Monitoring", watchRows(c)},
	}
}

func ampereHours(coulombs float64, digits int) string {
	return unit(sentence.Figure(coulombs/3600, digits), "A·h")
}

// together keeps a figure and its unit on one line.
var together = strings.NewReplacer(" ", "\u00a0", "/", "/\u2060")

// unit adds a unit to a figure that is known.
func unit(figure, symbol string) string {
	if figure == sentence.Unknown {
		return figure
	}
	return together.Replace(figure + "\u202f" + symbol)
}

func measured(c, u float64) string {
	return unit(sentence.Measured(c/3600, integrate.CoverageFactor*u/3600), "A·h")
}

func (p *Page) chargeRows(c *snapshot.Cell) []row {
	q := &c.Charge
	left := math.Max(0, q.TargetCoulombs-q.CountedCoulombs)
	target := measured(q.TargetCoulombs, q.TargetUncertainty)
	if q.TargetAbove > 0 {
		target = unit(quantity.Interval(q.TargetCoulombs/3600, max(0, q.TargetCoulombs-q.TargetBelow)/3600, (q.TargetCoulombs+q.TargetAbove)/3600), "A·h")
	}
	rows := []row{{"passed", "Passed", measured(q.CountedCoulombs, q.UncertaintyCoulombs), void(c)}}
	if q.MeterCoulombs != 0 {
		rest := q.ObservedCoulombs - q.MeterCoulombs
		rows = append(rows, row{"metered", "By the meter", measured(q.MeterCoulombs, q.Budget.Meter), percent(q.MeterCoulombs/q.ObservedCoulombs, "of what was observed")},
			row{"supplied", "By the supply", measured(rest, q.Budget.Supply()), percent(rest/q.ObservedCoulombs, "while the meter was silent")})
	}
	return append(rows, []row{
		{"target", "Target", target, drift(c)},
		{"left", "Left", ampereHours(left, 3), percent(q.CountedCoulombs/q.TargetCoulombs, "done")},
		{"finish", "Finishes", p.finish(c), strings.TrimSpace(span(q.SecondsToTarget) + creeping(q))},
		{"plan", "Planned by now", ampereHours(q.PlanCoulombs, 4), ahead(c)},
		gapRow(c),
		{"elapsed", "Started", p.clock(c.Began, p.s.Now()), sentence.Span(c.Elapsed)},
	}...)
}

// void says of the charge what of it passed through a short, where it wins no metal.
func void(c *snapshot.Cell) string {
	if c.Charge.ShuntedCoulombs > 0 {
		return "k = 2; through a short circuit, not counted as deposit: " + ampereHours(c.Charge.ShuntedCoulombs, 3)
	}
	return "k = 2"
}

// drift says of a target what moved it, or may yet.
func drift(c *snapshot.Cell) string {
	if q := &c.Charge; q.Unconfirmed != "" {
		return fmt.Sprintf("the earlier of two: %s with the unconfirmed %s, %s without", reached(q.TargetWith), q.Unconfirmed, reached(q.TargetWithout))
	}
	if d := c.Charge.TargetCoulombs - c.PlannedTarget; math.Abs(d) > 0.005*c.PlannedTarget {
		return fmt.Sprintf("planned %s", ampereHours(c.PlannedTarget, 4))
	}
	if c.Left != "" {
		return "k = 2; of the " + c.Left
	}
	return "k = 2"
}

// reached is a target charge; one that the present current never reaches is none.
func reached(coulombs float64) string {
	if math.IsInf(coulombs, 1) {
		return "never reached"
	}
	return ampereHours(coulombs, 4)
}

func percent(x float64, word string) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return sentence.Unknown
	}
	return strings.TrimSpace(fmt.Sprintf("%.1f\u202f%% %s", 100*x, word))
}

func span(seconds float64) string {
	if math.IsNaN(seconds) || math.IsInf(seconds, 0) || seconds <= 0 || seconds > 1e8 {
		return ""
	}
	return "in " + sentence.Span(time.Duration(seconds*float64(time.Second)))
}

// creeping says within what the finish of a run at constant voltage lies, as its current has moved of late.
func creeping(q *snapshot.Charge) string {
	if !(q.SecondsHigh > q.SecondsLow) || q.TargetReached {
		return ""
	}
	return fmt.Sprintf(" (%s to %s at constant voltage)", cmp.Or(span(q.SecondsLow), "now"), cmp.Or(span(q.SecondsHigh), "no end"))
}

func (p *Page) finish(c *snapshot.Cell) string {
	if c.Charge.FinishesAt.IsZero() || c.Ended || c.Charge.TargetReached {
		return sentence.Unknown
	}
	return c.Charge.FinishesAt.In(p.s.Zone).Format("Mon 15:04")
}

func ahead(c *snapshot.Cell) string {
	d := c.Charge.CountedCoulombs - c.Charge.PlanCoulombs
	switch {
	case math.IsNaN(d):
		return ""
	case math.Abs(d) <= math.Max(integrate.CoverageFactor*c.Charge.UncertaintyCoulombs, 0.003*c.Charge.TargetCoulombs):
		return "as planned"
	case d >= 0:
		return "ahead by " + ampereHours(d, 2)
	}
	return "behind by " + ampereHours(-d, 2)
}

// gapRow is what of the charge passed unobserved.
func gapRow(c *snapshot.Cell) row {
	q, r := &c.Charge, row{"gaps", "Of this, in gaps", "none", ""}
	if q.Gaps > 0 {
		r.Value = unit(quantity.Between(q.GapLowCoulombs/3600, q.GapHighCoulombs/3600, "to"), "A·h")
		r.Note = fmt.Sprintf("%d, together %s", q.Gaps, sentence.Span(time.Duration(q.GapSeconds*float64(time.Second))))
	}
	return r
}

func volts(c *snapshot.Cell) string   { return reading(c, c.Reading.Volts, "V") }
func amperes(c *snapshot.Cell) string { return reading(c, c.Reading.Amperes, "A") }

func reading(c *snapshot.Cell, x float64, symbol string) string {
	if c.Reading.At.IsZero() {
		return sentence.Unknown
	}
	return unit(sentence.Decimals(x, 3), symbol)
}

func age(c *snapshot.Cell, now time.Time) string {
	if c.Reading.At.IsZero() {
		return "never"
	}
	return sentence.Span(max(0, now.Sub(c.Reading.At))) + " ago"
}

var modeTexts = map[drivers.Mode]string{
	drivers.ConstantCurrent: "CC", drivers.ConstantVoltage: "CV", drivers.Unregulated: "unregulated",
}

func (p *Page) supplyRows(c *snapshot.Cell, now time.Time) []row {
	s := &c.Settings
	trips := cmp.Or(strings.Join(s.Tripped, ", "), "none")
	link := "answers"
	if !c.Link.Up {
		link = "no answer: " + c.Link.Problem
	}
	if c.Reading.ByMeter {
		link += "; the second meter reads alone"
	}
	rows := []row{
		{"volts", "Cell voltage", volts(c), "set " + unit(sentence.Figure(float64(s.SetVolts), 4), "V")},
		{"amperes", "Current", amperes(c), "set " + unit(sentence.Figure(float64(s.SetAmperes), 4), "A")},
		{"mode", "Regulation", cmp.Or(modeTexts[c.Reading.Mode], sentence.Unknown), "output " + c.Reading.Output.String()},
		{"limits", "Protection levels", unit(sentence.Figure(float64(s.LimitVolts), 3), "V") + ", " + unit(sentence.Figure(float64(s.LimitAmperes), 3), "A"), "tripped: " + trips},
		{"power", "Power", reading(c, c.Reading.Volts*c.Reading.Amperes, "W"), ""},
		{"age", "Last reading", age(c, now), p.clock(c.Reading.At, now)},
		{"link", "Line", link, c.Link.Identity},
	}
	if l := c.Charge.Leads; l.Readings > 0 {
		rows = append(rows, row{"leads", "Leads", unit(sentence.Measured(1e3*l.Ohms, 1e3*integrate.CoverageFactor*l.StandardUncertainty), "mΩ"), "k = 2; measured, from the supply to the cell and back"})
	}
	return rows
}

func bathRows(c *snapshot.Cell) []row {
	b := &c.Bath
	return []row{
		{"deposit", strings.TrimSpace(c.Metal + " on the cathode"), unit(sentence.Figure(b.DepositGrams, 4), "g"), "estimated; at 100\u202f% current efficiency: " + unit(sentence.Figure(c.Charge.TheoreticalGrams, 4), "g")},
		{"density", "Current density", unit(sentence.Figure(flowing(c, b.CurrentDensity/100), 3), "A/dm²"), unit(sentence.Figure(flowing(c, b.CurrentDensity), 3), "A/m²")},
		{"load", "i / i_lim", percent(limiting(b.OfLimitingCurrent), ""), loadText(limiting(b.OfLimitingCurrent))},
		{"bath", "Metal in the bath", unit(sentence.Measured(b.ConcentrationGramPerLitre, integrate.CoverageFactor*b.ConcentrationUncertainty), "g/L"), "by model and assays"},
		{"overall", "Current efficiency so far", percent(b.OverallEfficiency, ""), "deposit over theoretical deposit"},
		{"marginal", "Current efficiency now", percent(b.MarginalEfficiency, ""), ""},
	}
}

// limiting is i/i_lim; the model says 0 when no mass transfer is stated, which is not a figure.
func limiting(x float64) float64 {
	if x == 0 {
		return math.NaN()
	}
	return x
}

// loadText puts i/i_lim into the trade's three bands (common practice, no source).
func loadText(x float64) string {
	switch {
	case math.IsNaN(x):
		return "no mass transfer configured, or short circuit"
	case x < 1.0/3:
		return "low: dense deposit likely"
	case x < 2.0/3:
		return "medium: watch the edges"
	}
	return "high: rough or powdery deposit likely"
}

// flowing is what the current makes: nothing while the output is off, when the ammeter shows its offset.
func flowing(c *snapshot.Cell, x float64) float64 {
	if c.Reading.Output == drivers.OutputOff && !math.IsNaN(x) {
		return 0
	}
	return x
}

func loadRows(c *snapshot.Cell) []row {
	b := &c.Bath
	made, gone := "Acid made", "Acid used up"
	if b.AcidName == "NaOH" {
		made, gone = "Alkali used up", "Alkali made" // each is what a gain of H+ is, and a loss
	}
	if b.AcidGrams < 0 {
		made = gone
	}
	perKilogram := c.Charge.JoulesPerKilogram / 3.6e6
	return []row{
		{"energy", "Energy", unit(sentence.Figure(c.Charge.EnergyJoules/3.6e6, 3), "kWh"), unit(sentence.Figure(perKilogram, 3), "kWh/kg")},
		{"hydrogen", "Hydrogen, at most", unit(sentence.Figure(flowing(c, b.HydrogenLitresPerHour), 3), "L/h"), "about " + unit(sentence.Figure(b.HydrogenLitres, 3), "L")},
		{"anode-gas", "At the anode: " + cmp.Or(b.AnodeGas, "gas"), unit(sentence.Figure(flowing(c, b.AnodeGasLitresPerHour), 3), "L/h"), ""},
		{"air", "Air for the hydrogen", unit(sentence.Figure(flowing(c, electrolysis.BatteryRoomAirflow(math.Abs(c.Reading.Amperes))*3600), 2), "m³/h"), "battery-room rule; local rules take precedence"},
		{"acid", made, unit(sentence.Figure(math.Abs(b.AcidGrams), 3), "g"), strings.TrimPrefix(c.Bath.AcidName+", if it stays in the bath", ", ")},
		{"water", "Water split", unit(sentence.Figure(b.WaterGrams, 3), "g"), "evaporation is extra"},
	}
}

// handed are the figures that people enter, in the order shown; from SI to the trade's unit by factor and offset.
var handed = []struct {
	key, label, symbol string
	factor, offset     float64
	digits             int
}{
	{"measurement temperature_kelvins", "Temperature", "°C", 1, -273.15, 3},
	{"measurement ph", "pH", "", 1, 0, 3},
	{"assay concentration_kilograms_per_cubic_metre", "Assay", "g/L", 1, 0, 4},
	{"sample volume_cubic_metres", "Sample taken", "mL", 1e6, 0, 3},
	{"weighing mass_kilograms", "Weighed", "g", 1e3, 0, 5},
}

func (p *Page) handRows(hand map[string]history.Hand, now time.Time) []row {
	rows := make([]row, 0, len(handed))
	for i, h := range handed {
		v, ok := hand[h.key]
		if !ok {
			rows = append(rows, row{fmt.Sprintf("hand%d", i), h.label, sentence.Unknown, "not entered"})
			continue
		}
		value := sentence.Figure(v.Value*h.factor+h.offset, h.digits)
		if h.symbol != "" {
			value = unit(value, h.symbol)
		}
		rows = append(rows, row{fmt.Sprintf("hand%d", i), h.label, value, sentence.Span(now.Sub(v.At)) + " ago"})
	}
	return rows
}

func watchRows(c *snapshot.Cell) []row {
	refused := uint64(0)
	for _, r := range c.Refused {
		refused += r
	}
	cleared := "pre-flight not passed"
	if c.Cleared {
		cleared = "pre-flight passed by " + c.ClearedBy
	}
	rows := []row{
		{"polls", "Readings", fmt.Sprint(c.Reading.Count), fmt.Sprintf("%d answers rejected", refused)},
		{"log", "Run log", cmp.Or(c.Log.Problem, "normal"), unit(sentence.Figure(float64(c.Log.Bytes)/1e6, 3), "MB")},
		{"disk", "Free disk space", unit(sentence.Figure(c.Log.DiskFree/1e9, 3), "GB"), ""},
		{"alone", "Night", cleared, "nightcell may: " + c.May.String()},
	}
	for _, w := range c.Outlet.Routes {
		rows = append(rows, wayRow("route", "Route", w))
	}
	for _, w := range c.Outlet.Pushes {
		rows = append(rows, wayRow("push", "Push", w))
	}
	return rows
}

func wayRow(key, label string, w routes.Health) row {
	note := fmt.Sprintf("%d delivered", w.Delivered)
	if w.Lag > 0 {
		note += ", oldest undelivered " + sentence.Span(w.Lag) + " old"
	}
	if w.SetAside > 0 {
		note += fmt.Sprintf(", %d rejected", w.SetAside)
	}
	return row{key + "-" + w.Name, label + " " + w.Name, cmp.Or(w.Problem, "normal"), note}
}
