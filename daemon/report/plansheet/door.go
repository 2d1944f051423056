package plansheet

import (
	_ "embed" // the page is a template of its own
	"fmt"
	"html/template"
	"io"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/matter"
)

//go:embed door.html
var doorPage string

// doorNotice is what the page for the door says; its sentences stand in door.html.
type doorNotice struct {
	Running, Metal string
	Takes, Volts   string // empty: not known
	Chlorine, Oil  bool   // Oil: chlorine with ammonium
	Hot, Deadly    bool   // Deadly: what splashes is a danger before all others
	Splash         string
	Poisons        []string // gases, dusts and explosives of this metal and these salts
	Stop           matter.SafeState
	Hold           string // how much the hold current is
	NeverAgain     string // why it must not be switched on again; empty: somebody may say so
	Begins, Ends   string // empty: a line to be filled in by hand
}

// WriteDoor writes the page for the door as HTML. Names, telephone numbers and the place of the switch are blank lines, to be
// filled in by hand; so are begin and end where start is zero. Its figures are those of the report's tables, so that door and plan say the same.
func WriteDoor(w io.Writer, s Subject, start time.Time) error {
	r, p := Of(s), newSheet(s)
	about := func(name string) string {
		if f := r.Find(name); f != nil {
			return f.About()
		}
		return ""
	}
	page, err := template.New("notice").Funcs(template.FuncMap{"about": about}).Parse(doorPage)
	if err != nil {
		return fmt.Errorf("reading the page for the door: %w", err)
	}
	metal, medium := p.Bath.Metal, p.Bath.Medium
	n := doorNotice{Running: p.running(), Metal: p.metalName(), Chlorine: p.MakesChlorine(), Oil: p.MakesChlorine() && p.Bath.Ammonium, Hot: p.Hot(),
		Deadly: medium == matter.Cyanide || medium == matter.Sulfide, Splash: p.splash(), Stop: metal.Stop(medium).State, Hold: p.holdText()}
	if metal.Interrupt.Tolerance.Value <= 60 {
		n.NeverAgain = metal.Interrupt.Why
	}
	n.Poisons = p.poisons()
	for _, c := range metal.CautionsIn(medium) {
		if c.Danger {
			n.Poisons = append(n.Poisons, sentence(c.Text))
		}
	}
	if f := r.Find("expected_volts"); f != nil {
		n.Volts = fmt.Sprintf("%s to %s V", quantity.Digits(f.Limits.Low, doorVolts), quantity.Digits(f.Limits.High, doorVolts))
	}
	if stated := about("cell_volts"); stated != "" {
		n.Volts = "about " + stated
	}
	if f := r.Find("duration_seconds"); f != nil {
		n.Takes = quantity.LastingAbout(f.Value, f.Uncertainty)
		n.Begins, n.Ends = span(f, start)
	}
	return page.Execute(w, n)
}

// span writes when a run of a length begins and ends; nothing where start is zero.
func span(f *report.Figure, start time.Time) (begins, ends string) {
	if start.IsZero() {
		return "", ""
	}
	first, last := f.Value, f.Value
	if f.Uncertainty > 0 {
		first, last = f.Value-2*f.Uncertainty, f.Value+2*f.Uncertainty
	}
	if f.Limits != nil {
		first, last = f.Limits.Low, f.Limits.High
	}
	at := func(seconds float64) string {
		return start.Add(time.Duration(min(seconds, maxDoorSeconds) * float64(time.Second))).Round(time.Minute).Format("Mon 2 Jan 15:04")
	}
	if at(first) != at(last) {
		return at(0), at(first) + " to " + at(last)
	}
	return at(0), at(f.Value)
}

// running says what is running.
func (p *sheet) running() string {
	v := p.Bath.Volume
	return fmt.Sprintf("Electrowinning of %s from %s L of %s bath", p.metalName(), quantity.Digits(v.Value*1e3, v.StandardUncertainty*1e3), string(p.Bath.Medium))
}

const (
	maxDoorSeconds = 1e9 // keeps a plan of centuries within the calendar
	doorVolts      = 0.2 // how well anybody reads a voltage off at the door, V
)
