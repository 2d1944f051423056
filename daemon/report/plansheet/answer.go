package plansheet

import (
	"fmt"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// sentences is the answer.
func (p *sheet) sentences() []string {
	g := p.Bath.Goal
	first := fmt.Sprintf("Pass %s A·h", doubted(g.Charge, inAmpereHours))
	if g.Duration.Known() {
		first += fmt.Sprintf(" at %s A, which takes %s,", quantity.Digits(p.Bath.Conditions().Current.Value, 0), report.Lasting(g.Duration))
	}
	first += fmt.Sprintf(" to bring %s g of %s onto the cathode", doubted(g.Deposit, 1e3), p.metalName())
	doubt := p.Bath.Efficiency.StandardUncertainty
	overall := p.Overall()
	overall.StandardUncertainty = doubt
	share := p.share(overall)
	var second string
	if p.SolubleAnode() {
		first += "."
		second = fmt.Sprintf("The anode dissolves and gives back %s g, so that the bath ends with %s g/L; of all the charge %s %% wins metal", p.givenBack(), doubted(g.Left, 1), share)
	} else {
		first += fmt.Sprintf(": %s %% of the %s g in the bath.", p.share(g.Recovered), quantity.Digits(p.Bath.Amount.Value*1e3, p.Bath.Amount.StandardUncertainty*1e3))
		second = fmt.Sprintf("The bath is left with %s g/L; of all the charge %s %% wins metal", doubted(g.Left, 1), share)
	}
	if g.Anode.Value > 0 {
		first = strings.TrimSuffix(first, ".") + fmt.Sprintf("; the anode takes %s g more as %s.", doubted(g.Anode, 1e3), p.Bath.Anode.Oxide.Formula)
	}
	if p.Fades() {
		second += fmt.Sprintf(", and of the last %s %%", quantity.Digits(100*g.Marginal, 100*doubt))
	}
	if a := p.Assessed; a != nil {
		second += fmt.Sprintf("; size the air for %s L/h of hydrogen, %s m³/h, and reckon with %s and %s kWh",
			quantity.Digits(a.Gas[0].Worst.Value*report.LitresPerHour.PerSI, 0), quantity.Digits(a.Air.Needed.Value*report.CubicMetresPerHour.PerSI, a.Air.Needed.Value*report.CubicMetresPerHour.PerSI*0.1),
			voltsText(a), doubted(a.Energy.Total, report.KilowattHours.PerSI))
		for _, gas := range a.Gas {
			if gas.Gas == electrolysis.Chlorine && !gas.Possible {
				second += fmt.Sprintf("; the anode makes %s L/h of chlorine, which is poisonous: only in a fume hood", quantity.Digits(gas.Worst.Value*report.LitresPerHour.PerSI, 0))
			}
		}
	} else {
		second += "; state the current or the cathode area to learn the time, the gas and the heat"
	}
	answer := []string{first}
	if verdict := p.Verdict(); verdict != "" && (!strings.HasPrefix(verdict, "Yes") || strings.Contains(verdict, "the end")) {
		answer = append(answer, verdict)
	}
	return append(answer, second+".", p.stopSentence())
}

// share writes a share in per cent to the digits that its doubt leaves, with its limits if it has any.
func (p *sheet) share(f matter.Figure) string {
	if f.Skewed() {
		return doubted(f, 100)
	}
	return quantity.Digits(100*f.Value, 100*f.StandardUncertainty)
}

// voltsText is the voltage to reckon with: the stated one, or the band that is expected.
func voltsText(a *electrolysis.Assessment) string {
	if v := a.Conditions.CellVolts; v.Known() {
		return "the stated " + doubted(v, 1) + " V"
	}
	width := (a.Voltage.High - a.Voltage.Low) / 2
	return fmt.Sprintf("%s to %s V, likeliest %s V,", quantity.Digits(a.Voltage.Low, width), quantity.Digits(a.Voltage.High, width), quantity.Digits(a.Voltage.Best, width))
}

// marksLine tells how much each figure of the answer is worth.
func (p *sheet) marksLine() string {
	g := p.Bath.Goal
	list := []string{"charge " + g.Charge.Mark.String()}
	add := func(name string, f matter.Figure) {
		if f.Known() {
			list = append(list, name+" "+f.Mark.String())
		}
	}
	add("current", p.Bath.Conditions().Current)
	add("time", g.Duration)
	add("deposit and rest", g.Deposit)
	if a := p.Assessed; a != nil {
		add("gas and air", a.Air.Needed)
		if a.Conditions.CellVolts.Known() {
			add("volts", a.Conditions.CellVolts)
		} else {
			list = append(list, "volts "+a.Voltage.Mark.String())
		}
		add("kWh", a.Energy.Total)
	}
	return "Marked by the weakest of what went in: " + strings.Join(list, ", ") + "."
}

// holdText says how much the hold current is, or nothing without a current.
func (p *sheet) holdText() string {
	switch h := p.Hold(); h.Mark {
	case matter.Unmarked:
		return ""
	case matter.Given:
		return fmt.Sprintf(" (%s A, given)", quantity.Digits(h.Value, 0))
	default:
		return fmt.Sprintf(" (about %s A, assumed: %s)", quantity.Digits(h.Value, h.StandardUncertainty), h.Source)
	}
}

// endText says how a person ends the run.
func (p *sheet) endText() string {
	state := p.Bath.Metal.Stop(p.Bath.Medium).State
	return strings.Replace(state.Words(), "hold current", "hold current"+p.holdText(), 1)
}

// stopSentence says what stopping safely means here.
func (p *sheet) stopSentence() string {
	stop := p.Bath.Metal.Stop(p.Bath.Medium)
	text := "To end it " + p.endText()
	if stop.Unattended != stop.State {
		switch stop.Unattended {
		case matter.Hold:
			text += "; with nobody there hold a low current until somebody comes"
		default:
			text += "; with nobody there switch off"
		}
	}
	text += ": " + stop.Why
	if p.SolubleAnode() {
		return text + "."
	}
	if p.Bath.Metal.Depletion.Visible {
		return text + ". The end of the metal shows in the cell voltage too."
	}
	return text + ". The end of the metal does not show in volts or amperes."
}

// targetText says what was asked for.
func (p *sheet) targetText() string {
	f := matter.Figure{Value: p.wish.Value.SI} // a wish has no doubt
	switch p.wish.Form {
	case configs.Recover:
		return "recover " + doubted(f, 100) + " %"
	case configs.Concentration:
		if p.wish.Value.Dimension == quantity.AmountConcentration {
			return "down to " + doubted(f, 1e-3) + " mol/L"
		}
		return "down to " + doubted(f, 1) + " g/L"
	case configs.Deposit:
		return doubted(f, 1e3) + " g on the cathode"
	case configs.Thickness:
		return doubted(f, 1e6) + " µm on the cathode"
	case configs.Charge:
		return doubted(f, inAmpereHours) + " A·h"
	}
	return "until the next gram costs more than " + doubted(f, report.KilowattHours.PerSI) + " kWh/kg"
}
