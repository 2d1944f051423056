package main

import (
	"fmt"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// sentences is the answer.
func (p *planned) sentences() []string {
	g := p.plan.Goal
	first := fmt.Sprintf("Pass %s A·h", scaledDoubt(g.Charge, inAmpereHours))
	if g.Duration.Known() {
		first += fmt.Sprintf(" at %s A, which takes %s,", quantity.Digits(p.plan.Conditions().Current.Value, 0), timeText(g.Duration))
	}
	first += fmt.Sprintf(" to bring %s g of %s onto the cathode", scaledDoubt(g.Deposit, inGrams), p.metalName())
	doubt := p.plan.Efficiency.StandardUncertainty
	share := quantity.Digits(100*g.Overall, 100*doubt)
	var second string
	if p.cell.Electrodes.SolubleAnode {
		first += "."
		second = fmt.Sprintf("The anode dissolves and gives back about what the cathode takes, so that the bath stays about as rich as it is; of all the charge %s %% wins metal", share)
	} else {
		first += fmt.Sprintf(": %s %% of the %s g in the bath.", quantity.Digits(100*g.Recovered.Value, 100*g.Recovered.StandardUncertainty), quantity.Digits(p.plan.Amount.Value*inGrams, p.plan.Amount.StandardUncertainty*inGrams))
		second = fmt.Sprintf("The bath is left with %s g/L; of all the charge %s %% wins metal", scaledDoubt(g.Left, 1), share)
	}
	if p.fades() {
		second += fmt.Sprintf(", and of the last %s %%", quantity.Digits(100*g.Marginal, 100*doubt))
	}
	if a := p.assessed; a != nil {
		second += fmt.Sprintf("; size the air for %s L/h of hydrogen, %s m³/h, and reckon with %s and %s kWh",
			quantity.Digits(a.Gas[0].Worst.Value*inLitresPerHour, 0), quantity.Digits(a.Air.Needed.Value*inPerHour, a.Air.Needed.Value*inPerHour*0.1),
			voltsText(a), scaledDoubt(a.Energy.Total, inKilowattHours))
		for _, gas := range a.Gas {
			if gas.Gas == electrolysis.Chlorine && !gas.Possible {
				second += fmt.Sprintf("; the anode makes %s L/h of chlorine, which is poisonous: only in a fume hood", quantity.Digits(gas.Worst.Value*inLitresPerHour, 0))
			}
		}
	} else {
		second += "; state the current or the cathode area to learn the time, the gas and the heat"
	}
	return []string{first, second + ".", p.stopSentence()}
}

// fades tells whether the efficiency falls on the way by more than rounding.
func (p *planned) fades() bool { return p.plan.Goal.Marginal < 0.995*p.plan.Goal.Overall }

// voltsText is the voltage to reckon with: the stated one, or the band that is expected.
func voltsText(a *electrolysis.Assessment) string {
	if v := a.Conditions.CellVolts; v.Known() {
		return "the stated " + withDoubt(v) + " V"
	}
	width := (a.Voltage.High - a.Voltage.Low) / 2
	return fmt.Sprintf("%s to %s V, likeliest %s V,", quantity.Digits(a.Voltage.Low, width), quantity.Digits(a.Voltage.High, width), quantity.Digits(a.Voltage.Best, width))
}

// marksLine tells how much each figure of the answer is worth.
func (p *planned) marksLine() string {
	g := p.plan.Goal
	list := []string{"charge " + g.Charge.Mark.String()}
	add := func(name string, f matter.Figure) {
		if f.Known() {
			list = append(list, name+" "+f.Mark.String())
		}
	}
	add("current", p.plan.Conditions().Current)
	add("time", g.Duration)
	add("deposit and rest", g.Deposit)
	if a := p.assessed; a != nil {
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

// holdShare is the hold current over the working one when none is stated. Common practice, no source.
const holdShare = 0.1

// holdText says how much the hold current is, or nothing without a current.
func (p *planned) holdText() string {
	if h := p.cell.HoldAmperes; h > 0 {
		return fmt.Sprintf(" (%s A, given)", quantity.Digits(h, 0))
	}
	if c := p.plan.Conditions().Current; c.Known() {
		return fmt.Sprintf(" (about %s A, assumed: a tenth)", quantity.Digits(c.Value*holdShare, c.Value*holdShare*0.3))
	}
	return ""
}

// endText says how a person ends the run.
func (p *planned) endText() string {
	state := p.plan.Metal.Stop(p.plan.Medium).State
	return strings.Replace(state.Words(), "hold current", "hold current"+p.holdText(), 1)
}

// stopSentence says what stopping safely means here.
func (p *planned) stopSentence() string {
	stop := p.plan.Metal.Stop(p.plan.Medium)
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
	if p.cell.Electrodes.SolubleAnode {
		return text + "."
	}
	if p.plan.Metal.Depletion.Visible {
		return text + ". The end of the metal shows in the cell voltage too."
	}
	return text + ". The end of the metal does not show in volts or amperes."
}

// targetText says what was asked for.
func (p *planned) targetText() string {
	f := matter.Figure{Value: p.cell.Target.Value.SI} // a wish has no doubt
	switch p.cell.Target.Form {
	case configs.Recover:
		return "recover " + scaledDoubt(f, 100) + " %"
	case configs.Concentration:
		if p.cell.Target.Value.Dimension == quantity.AmountConcentration {
			return "down to " + scaledDoubt(f, 1e-3) + " mol/L"
		}
		return "down to " + scaledDoubt(f, 1) + " g/L"
	case configs.Deposit:
		return scaledDoubt(f, inGrams) + " g on the cathode"
	case configs.Thickness:
		return scaledDoubt(f, 1e6) + " µm on the cathode"
	case configs.Charge:
		return scaledDoubt(f, inAmpereHours) + " A·h"
	}
	return "until the next gram costs more than " + scaledDoubt(f, inKilowattHours) + " kWh/kg"
}
