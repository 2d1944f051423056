package electrolysis

import (
	"fmt"
	"slices"
	"strings"

	"nightcell/integrate/matter"
)

// cautions collects what a person should read before switching on. They come
// from the figures above and from common practice; local codes and a person who is
// licensed to judge the room come first.
func (a *Assessment) cautions() {
	c := a.Conditions
	say := func(format string, args ...any) { a.Cautions = append(a.Cautions, fmt.Sprintf(format, args...)) }
	say("Ventilate for %.2g m³/h, as if all current made hydrogen; nothing that sparks above the cell, no closed headspace, hydrogen never led together with oxygen.", 3600*a.Air.Needed.Value)
	if slices.ContainsFunc(a.Gas, func(g GasLoad) bool { return g.Gas == Chlorine }) {
		say("Chlorine is poisonous and can come off at this anode: run it in a fume hood with the anode gas scrubbed in alkali; a room fan is not enough.")
	}
	if c.Medium == matter.Chloride && c.AnolyteMedium != matter.Chloride {
		if c.Separator == CationMembrane {
			say("The membrane holds chloride back from the anode but lets some through: assay the anolyte for chloride, and change it before chlorine comes (common practice, no source).")
		} else {
			say("This separator lets chloride through to the anode, an anion membrane all that carries current: chlorine follows within hours; a cation membrane holds most of it back (common practice, no source).")
		}
	}
	if c.Ammonium && slices.ContainsFunc(a.Gas, func(g GasLoad) bool { return g.Gas == Chlorine }) {
		say("Chlorine and ammonium make chloramines and, in acid, nitrogen trichloride, an oil that explodes at a touch, and at the best they use up the ammonium: keep ammonium away from the anode by a separator and a chloride-free anolyte, or do not run it (common practice, no source).")
	}
	if w := a.Air.HydrogenTime; w.Known() && w.Value < a.Duration.Value {
		say("This room reaches 1 %% hydrogen after %s, before the run ends: more air, or not here.", duration(w.Value))
	}
	if ph := a.Plating.HydroxidePH; ph.Known() && c.PH.Value > ph.Value-0.5 {
		say("Hydroxide begins to fall out at about pH %.1f and the bath stands at %.1f: the layer at the cathode is the more alkaline, so expect sludge and powder, unless a ligand without constants here holds the metal.", ph.Value, c.PH.Value)
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
	if c.Separator == NoSeparator && slices.ContainsFunc(a.Anode, func(r Reaction) bool { return r.Gas == Chlorine && r.Expected }) {
		say("Without a diaphragm the chlorine dissolves, comes back to the cathode and takes current and metal: divide the cell.")
	}
	if c.Anode != "" && !c.SolubleAnode && AnodeKind(c.Anode) == "" {
		say("An anode of %s is not in the table (%s): voltage, oxide and wear are those of an unknown one.", c.Anode, strings.Join(anodeMaterials(), ", "))
	}
	if c.Cathode != "" && !knownCathode(c.Cathode) {
		say("A cathode of %s is not in the table: whether the deposit sticks to it, and how much hydrogen the bare blank makes, is unknown.", c.Cathode)
	}
	if c.Medium == matter.Chromic {
		a.catalystCaution(say)
	}
	a.liquidCautions(say)
	if c.Separator != NoSeparator && a.Plating.HydroxidePH.Known() && a.Acid.CatholyteWorst.Value/c.Volume.Value > 10 {
		say("If acid does not cross the separator, hydrogen leaves base in the catholyte: watch its pH, hydroxide blinds diaphragm and cathode from about pH %.1f.", a.Plating.HydroxidePH.Value)
	}
	a.heatCautions(say)
}

// catalystCaution says whether a chromic bath holds what lets chromium plate: CrO3 to sulfate about 100 to 1 by weight, 80 to 120
// (aquabond.ca and other vendors' pages on hard chromium, seen quoted; Farber and Blum, Bur. Standards J. Research 4 (1930) 27, name 200).
func (a *Assessment) catalystCaution(say func(string, ...any)) {
	const least, most, molarRatio = 80.0, 200.0, 99.99 / 98.07 // by weight, as H2SO4
	sulfate := a.Conditions.Dissolved["SO4-2"]
	switch ratio := a.Conditions.Concentration.Value * molarRatio / sulfate; {
	case a.Conditions.Dissolved["F-"] > 0:
	case sulfate == 0:
		say("No catalyst is stated, and without one chromic acid makes hydrogen and no chromium: about 1 part by weight of sulfuric acid to 100 of CrO3, 80 to 120 is usual.")
	case ratio < least || ratio > most:
		say("CrO3 stands to sulfuric acid as %.0f to 1 by weight; about 100 to 1 plates, 80 to 120 is usual.", ratio)
	}
}

// duration writes a time in seconds below two minutes, in minutes below two hours.
func duration(seconds float64) string {
	value, unit := seconds/3600, "h"
	switch {
	case seconds < 120:
		value, unit = seconds, "s"
	case seconds < 7200:
		value, unit = seconds/60, "min"
	}
	if value < 10 {
		return fmt.Sprintf("%.1f %s", value, unit)
	}
	return fmt.Sprintf("%.0f %s", value, unit)
}

// hotBath is where a bench bath in glass or plastic deserves a word, K.
const hotBath = 333.15

func (a *Assessment) heatCautions(say func(string, ...any)) {
	h := a.Heat
	switch {
	case h.Heater.Known():
		say("The bath settles near %.0f °C by its own heat, and %.0f °C asks for a heater of about %.2g W (cover the bath and lag it to need less): one with a thermostat and a guard against a falling level.",
			h.Steady.Value-matter.ZeroCelsius, a.Conditions.Temperature.Value-matter.ZeroCelsius, h.Heater.Value)
	case h.Boils:
		say("The bath makes %.0f W, more than a bare vessel loses below boiling: cool it, or use less current.", h.Power.Value)
	case h.Steady.Value > hotBath:
		say("The bath settles near %.0f °C, give or take a third of the rise: cool it, and check what the vessel stands.", h.Steady.Value-matter.ZeroCelsius)
	}
	if warm := h.Steady.Value - a.Conditions.Temperature.Value; !h.Boils && h.Steady.Value <= hotBath && warm > 10 {
		say("The bath warms itself to about %.0f °C; the figures here are for %.0f °C.", h.Steady.Value-matter.ZeroCelsius, a.Conditions.Temperature.Value-matter.ZeroCelsius)
	}
	if h.RunsAway {
		say("Do not run this at constant voltage: the current would grow with the warmth until the supply's limit. Set constant current.")
	} else if h.Gain.Value > 1.5 {
		say("At constant voltage the current would grow by about %.0f %% as the bath warms: constant current is the calmer mode.", 100*(h.Gain.Value-1))
	}
	if open := a.Conditions.OpenArea.Value; open > 0 {
		if depth := a.Conditions.Volume.Value / open; a.Water.LevelFall.High > 0.1*depth {
			say("The level may fall by %.0f mm, which bares electrodes and raises the current density: cover the bath or top it up with water.", 1000*a.Water.LevelFall.High)
		}
	}
	if a.Lead.CrossSection == 0 {
		say("No single flexible lead carries this current: several in parallel, or a busbar.")
	}
}
