package electrolysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// cautions collects what a person should read before switching on, what can hurt somebody apart from the rest. They come
// from the figures above and from common practice; local codes and a person who is
// licensed to judge the room come first.
func (a *Assessment) cautions() {
	c := a.Conditions
	say := func(format string, args ...any) { a.Cautions = append(a.Cautions, fmt.Sprintf(format, args...)) }
	warn := func(format string, args ...any) { a.Dangers = append(a.Dangers, fmt.Sprintf(format, args...)) }
	const litresPerHour = 3.6e6
	warn("Hydrogen, up to %.3g L/h, is explosive in air. Supply at least %.2g m³/h of fresh air. No spark or flame near the cell, no closed headspace.",
		litresPerHour*a.Gas[0].Worst.Value, 3600*a.Air.Needed.Value)
	chlorine := slices.IndexFunc(a.Gas, func(g GasLoad) bool { return g.Gas == Chlorine })
	if chlorine >= 0 {
		comes := "is made"
		if a.Gas[chlorine].Possible {
			comes = "can come off"
		}
		warn("Chlorine, up to %.3g L/h, %s at this anode and is poisonous. Fume hood only, and scrub it in alkali. With hydrogen it explodes in daylight.", litresPerHour*a.Gas[chlorine].Worst.Value, comes)
	}
	if c.Medium == matter.Chloride && c.AnolyteMedium != matter.Chloride {
		if c.Separator == CationMembrane {
			say("The membrane keeps most of the chloride from the anode, not all of it. Assay the anolyte for chloride and replace it before chlorine is made (common practice, no source).")
		} else {
			say("Chloride passes this separator to the anode, and chlorine follows within hours. A cation membrane keeps most of it back (common practice, no source).")
		}
	}
	if c.Ammonium && chlorine >= 0 {
		warn("Chlorine and ammonium form chloramines and, in acid, nitrogen trichloride, an oil that explodes at a touch. Keep ammonium from the anode (separator, chloride-free anolyte), or do not run the cell (common practice, no source).")
	}
	if ph := math.Min(c.PH.Value, a.Liquid.End.Low); c.Medium == matter.Cyanide && a.Liquid.Known() && protonated(ph, acidOfCyanide) > cyanideTold {
		warn("The bath may come to pH %.1f, where %.0f %% of its free cyanide is hydrogen cyanide, a deadly gas. Keep it above pH 11 with caustic (common practice, no source), and measure it during the run.", ph, 100*protonated(ph, acidOfCyanide))
	}
	if ph := math.Max(c.PH.Value, a.Liquid.End.High); c.Ammonium && c.Medium.Acidic() && a.Liquid.Known() && 1-protonated(ph, acidOfAmmonia) > ammoniaTold {
		warn("The bath may come to pH %.1f, where %.0f %% of its ammonium is ammonia, a poisonous gas: fume hood or extraction.", ph, 100*(1-protonated(ph, acidOfAmmonia)))
	}
	if w := a.Air.HydrogenTime; w.Known() && w.Value < a.Duration.Value {
		warn("This room reaches 1 %% hydrogen after %s, before the run ends. Supply more air, or run the cell elsewhere.", quantity.LastingAbout(w.Value, mixingDoubt*w.Value))
	}
	if ph := a.Plating.HydroxidePH; ph.Known() && c.PH.Value > ph.Value-0.5 {
		say("Hydroxide precipitates from about pH %.1f, and the bath is at %.1f. The layer at the cathode is more alkaline: expect sludge and powder, unless a ligand without constants here holds the metal.", ph.Value, c.PH.Value)
	}
	if a.Plating.Gap.Value > 0 && a.Plating.Margin.Known() && a.Plating.Margin.Value < 0.1 {
		say("%s", a.Plating.Verdict)
	}
	beforeAnode := c.Chloride.Value
	if c.AnolyteMedium != c.Medium && c.Separator == CationMembrane {
		beforeAnode = 0 // the stated chloride is that of the bath
	}
	if advice := anodeAdvice(c.Anode, c.AnolyteMedium, beforeAnode); advice != "" && !c.SolubleAnode {
		say("%s", advice)
	}
	if c.Separator == NoSeparator && chlorine >= 0 && !a.Gas[chlorine].Possible {
		say("Without a diaphragm dissolved chlorine reaches the cathode and costs current and metal. Divide the cell.")
	}
	if c.Anode != "" && !c.SolubleAnode && AnodeKind(c.Anode) == "" {
		say("An anode of %s is not in the table (%s). Its voltage, oxide and wear are unknown.", c.Anode, strings.Join(anodeMaterials(), ", "))
	}
	_, symbol := findSurface(c.Cathode)
	if c.Cathode != "" && !symbol && !slices.ContainsFunc(tables().Surface, func(s surface) bool { return strings.Contains(strings.ToLower(c.Cathode), s.Name) }) {
		say("A cathode of %s is not in the table. Adhesion of the deposit and hydrogen overpotential of the bare blank are unknown.", c.Cathode)
	}
	if c.Medium == matter.Chromic {
		a.catalystCaution(say)
	}
	a.liquidCautions(say)
	if c.Separator != NoSeparator && a.Plating.HydroxidePH.Known() && a.Acid.CatholyteWorst.Value/c.Volume.Value > 10 {
		say("If no acid crosses the separator, hydrogen evolution makes the catholyte alkaline. Check its pH: from about %.1f hydroxide blinds diaphragm and cathode.", a.Plating.HydroxidePH.Value)
	}
	a.heatCautions(say, warn)
}

// log K of H+ + CN- = HCN and of H+ + NH3 = NH4+ at 25 °C: NIST Standard Reference Database 46, 2004, as minteq.v4.dat reprints it.
const acidOfCyanide, acidOfAmmonia = 9.21, 9.244

// protonated is the share that holds its H+ at a pH, of what takes one up with that log K.
func protonated(pH, logK float64) float64 { return 1 / (1 + math.Pow(10, pH-logK)) }

// withoutCatalyst says that nothing is stated that lets chromium plate from chromic acid.
func (c Conditions) withoutCatalyst() bool {
	return c.Medium == matter.Chromic && c.Dissolved["SO4-2"] == 0 && c.Dissolved["F-"] == 0
}

// catalystCaution says whether a chromic bath holds what lets chromium plate: CrO3 to sulfate about 100 to 1 by weight, 80 to 120
// (vendors' pages on hard chromium, seen quoted; Farber and Blum, Bur. Standards J. Research 4 (1930) 27, name 200).
func (a *Assessment) catalystCaution(say func(string, ...any)) {
	const least, most, molarRatio = 80.0, 200.0, 99.99 / 98.07 // by weight, as H2SO4
	switch ratio := a.Conditions.Concentration.Value * molarRatio / a.Conditions.Dissolved["SO4-2"]; {
	case a.Conditions.Dissolved["F-"] > 0:
	case a.Conditions.withoutCatalyst():
		say("No catalyst is stated. Without one chromic acid makes hydrogen and no chromium. Usual is 1 part of sulfuric acid by weight to 100 of CrO3 (80 to 120).")
	case ratio < least || ratio > most:
		say("CrO3 to sulfuric acid is %.0f to 1 by weight. About 100 to 1 plates, 80 to 120 is usual.", ratio)
	}
}

// hotBath is where a bench bath in glass or plastic deserves a word, K.
const hotBath = 333.15

// mixingDoubt is how well a room is taken to be mixed, relative; common practice, no source.
const mixingDoubt = 0.2

// warmTold is by how many K a bath warms itself before that is worth a word.
const warmTold = 10

func (a *Assessment) heatCautions(say, warn func(string, ...any)) {
	h := a.Heat
	switch {
	case h.Heater.Known():
		say("By its own heat the bath levels off near %.0f °C. To hold %.0f °C, use a heater of about %.2g W with a thermostat and a low-level cut-out. Insulate the vessel, or float balls on the bath, to need less. Leave the headspace open.",
			h.Steady.Value-matter.ZeroCelsius, a.Conditions.Temperature.Value-matter.ZeroCelsius, h.Heater.Value)
	case h.Boils:
		warn("The bath boils: it takes up %s, more than a bare vessel loses below boiling. Cool it, or use less current.", quantity.Round(quantity.Power, h.Power.Value, 2))
	case h.Steady.Value > hotBath:
		warn("The bath heats to about %.0f °C: cool it, and check the rating of the vessel.", h.Steady.Value-matter.ZeroCelsius)
	}
	switch t := a.Conditions.Temperature; {
	case h.Boils || h.Steady.Value > hotBath:
	case t.Mark == matter.Assumed && t.Value > a.Conditions.Ambient.Value+warmTold:
		say("The bath heats itself to about %.0f °C in this run. The figures of the plan are for that.", t.Value-matter.ZeroCelsius)
	case t.Mark != matter.Assumed && h.Steady.Value > t.Value+warmTold:
		say("The bath heats itself to about %.0f °C. The figures of the plan are for %.0f °C: cool it to that.", h.Steady.Value-matter.ZeroCelsius, t.Value-matter.ZeroCelsius)
	}
	switch limit := h.Held.Limit.Value; {
	case h.RunsAway && a.Conditions.HoldsVolts:
		warn("At constant voltage the current of this cell rises without end as the bath heats up. Use constant current, or set the current limit of the supply to %.3g A.", limit)
	case a.Conditions.HoldsVolts:
		say("At constant voltage the current creeps up as the bath warms, and acid that crosses a separator raises it further. Set the current limit of the supply to %.3g A.", limit)
	case h.RunsAway:
		warn("Do not run this cell at constant voltage: as the bath heats up, the current rises to the limit of the supply. Use constant current.")
	case h.Gain.Value > 1.5:
		say("At constant voltage the current would rise by about %.0f %% as the bath heats up. Use constant current.", 100*(h.Gain.Value-1))
	}
	if open := a.Conditions.OpenArea.Value; open > 0 {
		depth := a.Conditions.Volume.Value / open
		if a.Water.LevelFall.High > depth/2 {
			warn("Without more water the bath loses %.0f of its %.0f mm in this run, and a heater that runs dry starts a fire. Feed it, or cover most of it.", 1000*a.Water.LevelFall.High, 1000*depth)
		} else if a.Water.LevelFall.High > 0.1*depth {
			say("The level may fall by %.0f mm, which exposes the electrodes and raises the current density. Top it up with water, or float balls on it. Leave the headspace open.", 1000*a.Water.LevelFall.High)
		}
	}
	if a.Lead.CrossSection == 0 {
		say("No single flexible lead carries this current. Use several in parallel, or a busbar.")
	}
}

// liquidCautions says what the pH of the end means.
func (a *Assessment) liquidCautions(say func(string, ...any)) {
	c, l := a.Conditions, &a.Liquid
	if !l.Known() {
		return
	}
	where := "bath"
	if c.Separator != NoSeparator {
		where = "catholyte"
	}
	if c.PH.Value-l.End.Value > driftTold {
		why, help := "The acid of the anode stays in the bath", "neutralize or bleed"
		switch {
		case !c.Medium.Acidic():
			help = "dose alkali, never acid"
		case c.Separator == Diaphragm:
			help = "keep the catholyte level above the anolyte level, and neutralize"
		case c.Separator != NoSeparator:
			help = "neutralize"
		}
		if c.Separator != NoSeparator {
			why = "Acid crosses the separator"
		}
		say("%s: the %s ends near pH %.1f (%.1f to %.1f), which cell voltage and current hardly show. Check the pH during the run, and %s.", why, where, l.End.Value, l.End.Low, l.End.High, help)
	}
	if l.End.High-l.End.Low > widthTold {
		say("The pH of the %s at the end cannot be predicted: from %.1f to %.1f, by how much of the current makes hydrogen and how much acid crosses. Measure it during the run, and hold it with a buffer, or by dosing what the bath allows.", where, l.End.Low, l.End.High)
	}
	lost := c.Efficiency.Value - a.Plating.EfficiencyAtEnd.Value
	if e := a.Plating.EfficiencyAtEnd; e.Mark != matter.Unmarked && lost > efficiencyTold {
		text := fmt.Sprintf("At pH %.1f more of the current makes hydrogen: the current efficiency falls from %.0f %% to about %.0f %% at the end (%.0f to %.0f %%), and the planned charge is too small.",
			l.End.Value, 100*c.Efficiency.Value, 100*e.Value, 100*e.Low, 100*e.High)
		if d := l.IfDivided; d.Mark != matter.Unmarked && d.Value > l.End.Value+driftTold {
			text += fmt.Sprintf(" Divided by a diaphragm, the catholyte would end near pH %.1f (%.1f to %.1f).", d.Value, d.Low, d.High)
		}
		say("%s", text)
	}
	if !math.IsInf(l.DissolvesAfter, 1) {
		say("From about %.3g A·h all current makes hydrogen and the deposit begins to dissolve. Stop earlier, or neutralize.", l.DissolvesAfter/ampereHour)
	}
	if w, ok := c.Metal.Window(c.Medium); ok && w.PH.Known() && l.End.Value > w.PH.High+0.2 && c.PH.Value <= w.PH.High+0.2 {
		say("pH %.1f at the end lies above the usual window, %.3g to %.3g.", l.End.Value, w.PH.Low, w.PH.High)
	}
	if !math.IsInf(l.FallsAfter, 1) {
		say("%s precipitates from about pH %.1f, which the %s may reach after %.3g A·h, and blinds diaphragm and cathode. Keep the pH below that with a buffer, or with acid where the bath allows it.", l.Falls, l.FallsAt.Low, where, l.FallsAfter/ampereHour)
	}
}

const (
	driftTold      = 0.5    // pH units
	cyanideTold    = 0.02   // of the free cyanide
	ammoniaTold    = 0.1    // of the ammonium
	widthTold      = 4.0    // pH units: more is no prediction
	efficiencyTold = 0.02   // of 1
	ampereHour     = 3600.0 // C
)
