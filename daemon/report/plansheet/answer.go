package plansheet

import (
	"fmt"
	"strings"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/matter"
)

// answer is what was asked for, and whether metal will plate at all.
func (p *sheet) answer() []string {
	g := p.Bath.Goal
	text := fmt.Sprintf("Pass %s A·h", doubted(g.Charge, inAmpereHours))
	if g.Duration.Known() {
		text += fmt.Sprintf(" at %s A for %s", quantity.Digits(p.Bath.Conditions().Current.Value, 0), report.Lasting(g.Duration))
	}
	text += fmt.Sprintf(". The deposit is %s g of %s", doubted(g.Deposit, 1e3), p.metalName())
	switch {
	case p.SolubleAnode():
		text += fmt.Sprintf(". The anode dissolves and returns %s g.", p.givenBack())
	case p.Left != "":
		text += fmt.Sprintf(", %s %% of the %s.", p.share(g.Recovered), p.Left)
	default:
		text += fmt.Sprintf(", %s %% of the %s g in the bath.", p.share(g.Recovered), quantity.Digits(p.Bath.Amount.Value*1e3, p.Bath.Amount.StandardUncertainty*1e3))
	}
	if g.Anode.Value > 0 {
		text += fmt.Sprintf(" The anode takes %s g more as %s.", doubted(g.Anode, 1e3), p.Bath.Anode.Oxide.Formula)
	}
	switch c := g.Crossed; {
	case c.Value > 0:
		text += fmt.Sprintf(" %s g cross the separator.", doubted(c, 1e3))
	case c.High > 0:
		text += fmt.Sprintf(" Up to %s g cross the separator.", quantity.Digits(c.High*1e3, c.High*1e2))
	}
	text += fmt.Sprintf(" %s g/L remain in the bath.", doubted(g.Left, 1))
	if verdict := p.Verdict(); verdict != "" {
		return []string{text, willItPlate + verdict}
	}
	return []string{text}
}

const willItPlate = "Will it plate? "

// share writes a share in per cent to the digits that its doubt leaves, with its limits if it has any.
func (p *sheet) share(f matter.Figure) string {
	if f.Skewed() {
		return doubted(f, 100)
	}
	return quantity.Digits(100*f.Value, 100*f.StandardUncertainty)
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

// stopText says what ending the run safely means here.
func (p *sheet) stopText() string {
	stop := p.Bath.Metal.Stop(p.Bath.Medium)
	text := "To end the run, " + p.endText() + ": " + stop.Why + "."
	switch {
	case stop.Unattended == stop.State:
	case stop.Unattended == matter.Hold:
		text += " With nobody there, hold a low current until somebody comes."
	default:
		text += " With nobody there, switch off."
	}
	switch {
	case p.SolubleAnode():
		return text
	case p.Bath.Metal.Depletion.Visible:
		return text + " Depletion also shows in the cell voltage."
	}
	return text + " Depletion does not show in cell voltage or current."
}

// targetText says what was asked for.
func (p *sheet) targetText() string {
	f := matter.Figure{Value: p.wish.Value.SI} // a wish has no doubt
	switch p.wish.Form {
	case configs.Recover:
		return "recover " + doubted(f, 100) + " %"
	case configs.Concentration:
		if p.wish.Value.Dimension == quantity.AmountConcentration {
			return "deplete to " + doubted(f, 1e-3) + " mol/L"
		}
		return "deplete to " + doubted(f, 1) + " g/L"
	case configs.Deposit:
		return "a deposit of " + doubted(f, 1e3) + " g"
	case configs.Thickness:
		return "a deposit of " + doubted(f, 1e6) + " µm"
	case configs.Charge:
		return "pass " + doubted(f, inAmpereHours) + " A·h"
	}
	return "until the next gram costs more than " + doubted(f, report.KilowattHours.PerSI) + " kWh/kg"
}
