package bath

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// widest is how many combined standard uncertainties an entry may lie from the books
// before it contradicts them. Common practice: three hold about 99.7 % of a normal distribution (JCGM 100, G.1.3).
const widest = 3

// Shares of the volume that no entry is expected to exceed; common practice, no source.
const (
	mostWater  = 0.5 // put in or lost at once
	mostSample = 0.25
	mostDried  = 0.2 // evaporated since the books were made, when a volume is measured
)

// kelvinAround is how far a bath is expected to be from its stated temperature; common practice, no source.
const kelvinAround = 30

// Moment is what Judge must know of the run besides the plan.
type Moment struct {
	Amperes     float64 // present current; at 0 or below, that of the plan is taken
	ChargeDoubt float64 // C, standard uncertainty of the counted charge
}

// Verdict says how an entry agrees with the books.
type Verdict struct {
	Outcome       Outcome  // with which Book has to be called
	Against       []string // how it contradicts the books, each with both figures; empty: it does not
	Before, After Reach    // of the target by the account without and with the entry
	Dose          string   // what acid or base was put in, in words; empty: none
}

// Reach is how far a target is.
type Reach struct {
	TargetCharge float64 // C: passed plus left; +Inf: never
	Seconds      float64 // left; +Inf: never, or no current flows
}

// reach takes the account as it stands, whatever waits to be confirmed.
func (p *Plan) reach(amperes float64) Reach {
	left, seconds := p.remainingBy(p.Model.Catholyte(), amperes)
	if !(amperes > 0) && p.scenario.amperes == 0 {
		seconds = math.Inf(1)
	}
	return Reach{p.Model.Charge() + left, seconds}
}

// Judge says whether an entry agrees with the books, and what it would do. It books
// nothing. The error says what cannot be booked at all, however certain somebody is.
func (p *Plan) Judge(e Entry, m Moment) (Verdict, error) {
	var v Verdict
	rival := p.Model.Rival()
	if e.Kind == EntryConfirm {
		switch {
		case !rival.Is():
			return v, errors.New("nothing waits to be confirmed")
		case strings.TrimSpace(e.By) == "" || strings.EqualFold(strings.TrimSpace(e.By), strings.TrimSpace(rival.By)):
			return v, fmt.Errorf("the %s was entered by %s, and it takes another person to confirm it, or a new assay", rival.Kind, rival.By)
		}
		v.Outcome, v.Before = Confirmed, p.reach(m.Amperes)
		v.After = v.Before
		return v, nil
	}
	v.Against = p.against(e, m)
	if rival.Is() && e.Kind == EntryAssay {
		switch againstRival := p.without().against(e, m); {
		case len(v.Against) == 0 && len(againstRival) > 0:
			v.Outcome = Confirmed
		case len(v.Against) > 0 && len(againstRival) == 0:
			v.Outcome, v.Against = Withdrawn, nil
		}
	}
	if len(v.Against) > 0 && e.Moves() {
		v.Outcome = Held
	}
	v.Before, v.Dose = p.reach(m.Amperes), p.dose(e)
	trial := p.trial()
	if _, err := trial.Book(e, v.Outcome); err != nil {
		return v, err
	}
	v.After = trial.reach(m.Amperes)
	return v, nil
}

// Moves says whether an entry changes the account.
func (e Entry) Moves() bool {
	switch e.Kind {
	case EntryAddition, EntryDose, EntryWater, EntrySample, EntryAssay:
		return true
	}
	return e.Kind != EntryElectrode && e.AtAnode()
}

// Consequence says in words what taking an entry does to the target, such as
// "target 7.72 → 78.90 A·h, finish 24 h later".
func (v Verdict) Consequence() string {
	if v.Dose != "" {
		dose := v.Dose
		v.Dose = ""
		return dose + "; " + v.Consequence()
	}
	before, after := v.Before.TargetCharge/3600, v.After.TargetCharge/3600
	switch {
	case v.Before == v.After && math.IsInf(before, 1):
		return "the target stays out of reach"
	case v.Before == v.After:
		return fmt.Sprintf("the target stays at %.2f A·h", before)
	case math.IsInf(after, 1):
		return fmt.Sprintf("target %.2f A·h → never reached at this current", before)
	case math.IsInf(before, 1):
		return fmt.Sprintf("target out of reach → %.2f A·h", after)
	}
	text := fmt.Sprintf("target %.2f → %.2f A·h", before, after)
	switch d := v.After.Seconds - v.Before.Seconds; {
	case math.IsNaN(d) || math.IsInf(d, 0): // no current flows
	case math.Abs(d) < 60:
		text += ", finish the same minute"
	case d > 0:
		text += ", finish " + span(d) + " later"
	default:
		text += ", finish " + span(-d) + " earlier"
	}
	return text
}

// dose says what acid or base an entry puts in. The target counts metal alone, and nothing follows the acid.
func (p *Plan) dose(e Entry) string {
	if e.Kind != EntryDose {
		return ""
	}
	n, volume := e.Numbers, p.Model.Catholyte().Volume+e.Numbers[LiquidVolume]
	f, err := matter.ParseFormula(e.Words[Formula])
	brings, unknown := solution.FromFormula(f)
	molar, _ := f.MolarMass()
	mol := n[Mass] / molar
	if share, ok := n[AssayRatio]; ok {
		mol *= share
	}
	mol += (n[PerMole] + n[PerMass]/molar) * n[LiquidVolume]
	acid := brings[solution.H] * mol
	if err != nil || unknown != nil || !(math.Abs(acid) > 0) {
		return "formula and amount do not say how much acid or base that is"
	}
	word := "acid"
	if acid < 0 {
		word = "base"
	}
	return fmt.Sprintf("%s mol of %s, %s mol/L of the bath", figure(math.Abs(acid)), word, figure(math.Abs(acid)/volume/1e3))
}

// span writes seconds the way people say them.
func span(seconds float64) string {
	switch {
	case seconds < 90*60:
		return fmt.Sprintf("%.0f min", seconds/60)
	case seconds < 48*3600:
		return fmt.Sprintf("%.1f h", seconds/3600)
	}
	return fmt.Sprintf("%.1f days", seconds/86400)
}

// against lists how an entry contradicts the account by more than the doubt of both.
func (p *Plan) against(e Entry, m Moment) (list []string) {
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	n, book := e.Numbers, p.Model.Catholyte()
	switch e.Kind {
	case EntryAssay:
		said := p.Assayed(e)
		booked, own := p.bookedConcentration()
		if math.Abs(said.Value-booked) > widest*math.Hypot(said.StandardUncertainty, own) {
			add("the assay gives %s g/L, the mass balance %s g/L ± %s g/L (k = %d)", figure(said.Value), figure(booked), figure(widest*own), widest)
		}
	case EntryAddition, EntryDose:
		p.againstAddition(e, add)
	case EntryWater:
		if v := n[LiquidVolume]; math.Abs(v) > mostWater*book.Volume {
			add("%s of water are entered, and the bath holds %s", litres(v), litres(book.Volume))
		}
	case EntrySample:
		if v := n[LiquidVolume]; v > mostSample*book.Volume {
			add("a sample of %s is entered, and the bath holds %s", litres(v), litres(book.Volume))
		}
	case EntryWeighing, EntryDried, EntrySludge:
		if e.AtAnode() {
			p.againstAnode(e, m, add)
		} else {
			p.againstWeighing(e, m, add)
		}
	case EntryMeasurement:
		p.againstMeasurement(e, add)
	}
	return list
}

// bookedConcentration returns the kg of metal per m3 in the bath by the account, and its standard uncertainty.
func (p *Plan) bookedConcentration() (value, doubt float64) {
	mol, variance := p.concentrationOf(p.Model.Catholyte())
	return mol * p.scenario.molar, math.Sqrt(variance) * p.scenario.molar
}

// againstAddition holds what was added against the volume of the bath and what water dissolves.
func (p *Plan) againstAddition(e Entry, add func(string, ...any)) {
	book, volume := p.Model.Catholyte(), e.Numbers[LiquidVolume]
	if volume > mostWater*book.Volume {
		add("%s of solution are entered, and the bath holds %s", litres(volume), litres(book.Volume))
	}
	p.againstFormula(e.Words[Formula], add)
	trial := p.trial()
	if _, err := trial.book(e); err != nil {
		return // said by Judge
	}
	booked, _ := p.bookedConcentration()
	if after, _ := trial.bookedConcentration(); after > booked {
		if most, salt := p.solubility(); after > most {
			add("the bath would hold %s g/L of %s, and no more than about %s g/L dissolve (%s)", figure(after), p.Metal.Element.Name, figure(most), salt)
		}
	}
	if m := e.Numbers[Mass] / (book.Volume + volume); m > mostSolids {
		add("%s g of salt are entered for a bath of %s, and no more than about %s g dissolve in it", figure(e.Numbers[Mass]*1e3), litres(book.Volume), figure(mostSolids*book.Volume*1e3))
	}
}

// SetBlank says what the cathode weighed before the run, kg; without a doubt the balance's holds.
func (p *Plan) SetBlank(mass matter.Figure) {
	p.Model.state.Blank, p.Model.state.BlankDoubt = mass.Value, mass.StandardUncertainty
}

// Weighed returns the mass of the deposit that an entry tells in kg: weighed alone, or of the electrode after less its
// blank in kg, which may have been entered before. Without a stated doubt the balance's holds. A figure that is not known: neither is told, or it is of the anode.
func (p *Plan) Weighed(e Entry) (deposit matter.Figure, blank float64) {
	if e.AtAnode() {
		return deposit, 0
	}
	n := e.Numbers
	if _, ok := n[Mass]; ok {
		return Measured(n, Mass, BalanceDoubt), 0
	}
	after, before := Measured(n, MassAfter, BalanceDoubt), Measured(n, MassBefore, BalanceDoubt)
	if _, known := e.Numbers[MassBefore]; !known {
		s := &p.Model.state
		before = matter.Figure{Value: s.Blank, StandardUncertainty: cmp.Or(s.BlankDoubt, s.Blank*BalanceDoubt)}
	}
	if _, ok := e.Numbers[MassAfter]; !ok || !(before.Value > 0) {
		return deposit, 0
	}
	return matter.GivenFigure(after.Value-before.Value, math.Hypot(after.StandardUncertainty, before.StandardUncertainty)), before.Value
}

// againstFormula holds the salt of an addition against the metal that is won and the state from which its charge is counted.
func (p *Plan) againstFormula(formula string, add func(string, ...any)) {
	f, err := matter.ParseFormula(formula)
	if formula == "" || err != nil {
		return // said by Judge
	}
	for _, other := range matter.WinnableIn(f) {
		if other.String() != p.Metal.String() {
			add("%s brings %s, which may plate with the %s or before it, and nothing here follows it", f, other.Element.Name, p.Metal.Element.Name)
		}
	}
	if state, ok := f.OxidationState(p.Metal.String()); ok && f.Count(p.Metal.String()) > 0 && math.Abs(state-float64(p.Valence)) > 1e-9 {
		add("%s holds %s(%s), and the charge of this run is counted with %d electrons an atom", f, p.Metal.Element.Name, roman(state), p.Valence)
	}
}

// againstWeighing holds a deposit against nothing, against the electrode and against what the charge can give.
func (p *Plan) againstWeighing(e Entry, m Moment, add func(string, ...any)) {
	deposit, blank := p.Weighed(e)
	if !deposit.Known() {
		return
	}
	n := e.Numbers
	if after := n[MassAfter]; blank > 0 && after < blank*(1-widest*BalanceDoubt) {
		add("the electrode weighs %s g, which is below its blank of %s g", figure(after*1e3), figure(blank*1e3))
		return
	}
	if gain := n[MassAfter] - n[MassBefore]; n[Mass] > 0 && n[MassAfter] > 0 && n[MassBefore] > 0 &&
		math.Abs(n[Mass]-gain) > widest*math.Hypot(deposit.StandardUncertainty, n[MassAfter]*BalanceDoubt) {
		add("the deposit weighs %s g, and the electrode gained %s g", figure(n[Mass]*1e3), figure(gain*1e3))
	}
	equivalent := p.Metal.Equivalent(p.Valence).Value
	most := math.Max(p.Model.Charge()+widest*m.ChargeDoubt, 0) * equivalent * (1 + widest*BalanceDoubt)
	switch {
	case deposit.Value < 0 && blank == 0:
		add("the deposit weighs %s g, which is below zero", figure(deposit.Value*1e3))
	case deposit.Value > most:
		add("the deposit weighs %s g, and the charge so far can give %s g at most", figure(deposit.Value*1e3), figure(most*1e3))
	}
}

// againstMeasurement holds a volume, a temperature and a pH against what is stated and what the charge can have done.
func (p *Plan) againstMeasurement(e Entry, add func(string, ...any)) {
	n := e.Numbers
	if v, ok := n[LiquidVolume]; ok {
		booked := p.Model.Catholyte().Volume
		most := widest * booked * math.Hypot(p.Volume.Relative(), VolumeDoubt)
		if low := booked*(1-mostDried) - most; v > booked+most || v < low {
			add("a volume of %s was measured; the mass balance gives %s, or %s to %s with evaporation", litres(v), litres(booked), litres(math.Max(low, 0)), litres(booked+most))
		}
	}
	if k, ok := n[EnteredKelvin]; ok {
		const ice, steam = 273.15, 373.15
		stated, low, high := "an aqueous bath lies", ice-10, steam+10 // salt lowers the one and raises the other; common practice, no source
		if t := p.conditions.Temperature; t.Known() {
			stated, low, high = fmt.Sprintf("%.4g °C are stated, and the bath is expected", t.Value-ice), math.Max(low, t.Value-kelvinAround), math.Min(high, t.Value+kelvinAround)
		}
		if !(k >= low && k <= high) {
			add("%.4g °C were measured; %s between %.4g °C and %.4g °C", k-ice, stated, low-ice, high-ice)
		}
	}
	if ph, ok := n[EnteredPH]; ok {
		low, high := p.expectedPH()
		if !(ph >= low && ph <= high) {
			stated := "a bath lies"
			if p.conditions.PH.Known() {
				stated = fmt.Sprintf("%.3g is stated, and after this charge the bath is expected", p.conditions.PH.Value)
			}
			add("a pH of %.3g was measured; %s between %.2g and %.2g", ph, stated, low, high)
		}
	}
}

// expectedPH returns the range in which the catholyte's pH can be: the charge so far can have made
// one mole of acid per faraday at the anode, and at the cathode acid can have been used up to neutral. A pH
// unit on either side is left for buffers and electrodes; common practice, no source.
func (p *Plan) expectedPH() (low, high float64) {
	if !p.conditions.PH.Known() {
		return -1, 15
	}
	stated := p.conditions.PH.Value
	// mol/L of acid, below zero of base, at 25 °C
	acid := math.Pow(10, -stated) - math.Pow(10, stated-14) + math.Max(p.Model.Charge(), 0)/matter.Faraday/p.Model.Catholyte().Volume/1e3
	low = stated
	if acid > 1e-7 {
		low = math.Min(stated, -math.Log10(acid))
	} else if acid < -1e-7 {
		low = math.Min(stated, 14+math.Log10(-acid))
	}
	return low - 1, math.Max(stated+1, 7)
}

// figure writes a figure of a message: three digits tell two figures apart that contradict each other.
func figure(x float64) string {
	if a := math.Abs(x); a >= 1000 || a == 0 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

func litres(m3 float64) string {
	if math.Abs(m3) < 0.1e-3 {
		return figure(m3*1e6) + " mL"
	}
	return figure(m3*1e3) + " L"
}
