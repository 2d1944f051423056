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

// doorNotice is what the page for the door says.
type doorNotice struct {
	Running string   // what is running
	Facts   []fact   // in large type
	Hazards []string // in the order of danger
	Anyone  []string // what anybody may do, also who knows nothing of it
	Stop    []string // steps for the person in charge alone
	Never   string   // what not to do
	Begins  string   // empty: a line to be filled in by hand, as Ends
	Ends    string
}

type fact struct{ Label, Value string }

// WriteDoor writes the page for the door as HTML. Names, telephone numbers and the place of the switch are blank lines, to be
// filled in by hand; so are begin and end where start is zero.
func WriteDoor(w io.Writer, s Subject, start time.Time) error {
	page, err := template.New("notice").Parse(doorPage)
	if err != nil {
		return fmt.Errorf("reading the page for the door: %w", err)
	}
	r := Of(s)
	n := newSheet(s).doorNotice(r)
	if f := r.Find("duration_seconds"); f != nil && !start.IsZero() {
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
		n.Begins, n.Ends = at(0), at(f.Value)
		if at(first) != at(last) {
			n.Ends = at(first) + " to " + at(last)
		}
	}
	return page.Execute(w, n)
}

// running says what is running.
func (p *sheet) running() string {
	v := p.Bath.Volume
	return fmt.Sprintf("Electrowinning of %s from %s L of %s bath", p.metalName(), quantity.Digits(v.Value*1e3, v.StandardUncertainty*1e3), string(p.Bath.Medium))
}

// doorNotice takes its figures from the tables of the report, so that door and plan say the same.
func (p *sheet) doorNotice(r *report.Report) doorNotice {
	n := doorNotice{Running: p.running(), Hazards: p.hazards()}
	n.Anyone, n.Stop, n.Never = p.stopSteps()
	add := func(label, name string, write func(f *report.Figure) string) {
		if f := r.Find(name); f != nil {
			n.Facts = append(n.Facts, fact{label, write(f)})
		}
	}
	about := func(f *report.Figure) string { return f.About() }
	add("Charge to pass", "target_charge_coulombs", about)
	add("Takes about", "duration_seconds", func(f *report.Figure) string { return quantity.LastingAbout(f.Value, f.Uncertainty) })
	add("Current", "current_amperes", about)
	if r.Find(statedVolts) != nil {
		add("Usual voltage", statedVolts, func(f *report.Figure) string { return "about " + f.About() })
	} else {
		add("Usual voltage", "expected_volts", func(f *report.Figure) string {
			return fmt.Sprintf("%s to %s V", quantity.Digits(f.Limits.Low, doorVolts), quantity.Digits(f.Limits.High, doorVolts))
		})
	}
	add("Fresh air needed", "ventilation_cubic_metres_per_hour", about)
	return n
}

// maxDoorSeconds keeps a plan of centuries within the calendar.
const maxDoorSeconds = 1e9

// statedVolts is the voltage that somebody measured; doorVolts is how well anybody reads one off at the door, V.
const (
	statedVolts = "cell_volts"
	doorVolts   = 0.2
)

// hazards lists what can hurt somebody who opens the door.
func (p *sheet) hazards() []string {
	list := []string{"Hydrogen, explosive in air: no flame, no spark, no smoking; keep the air moving."}
	if p.MakesChlorine() {
		list = append([]string{"Chlorine can come off, poisonous: if you smell it, do not go in; leave the door shut and call."}, list...)
	}
	if p.MakesChlorine() && p.Bath.Ammonium {
		list = append(list, "Chlorine and ammonium can make an oil that explodes at a touch: move, shake or pour nothing.")
	}
	if p.Hot() {
		list = append(list, "Hot bath and hot vessel.")
	}
	if m := p.Bath.Medium; m == matter.Cyanide || m == matter.Sulfide { // deadly: before all else
		list = append([]string{p.splash()}, list...)
	} else {
		list = append(list, p.splash())
	}
	return append(list,
		fmt.Sprintf("Salts and metal of %s: do not touch, do not taste, nothing into the drain.", p.metalName()),
		"Electric current in bare metal: touch nothing between the plates, no tools over the cell.",
		"Runs unattended. The monitoring software is not a safety device.")
}

// stopSteps says what anybody may do, how the person in charge ends it, and what never to do.
func (p *sheet) stopSteps() (anyone, steps []string, never string) {
	anyone = []string{
		"In danger: cut the mains at the marked switch outside the room, keep the door shut, call. The metal does not matter.",
		"Else leave it alone and call. Touch neither the cell nor the leads nor the knobs of the supply.",
		"Leave the fan on. Leave the light on.",
	}
	if p.MakesChlorine() {
		steps = append(steps, "Fume hood running; if it smells of chlorine, stay out and cut the mains from outside.")
	}
	stop := p.Bath.Metal.Stop(p.Bath.Medium)
	switch stop.State {
	case matter.LiftThenOff:
		steps = append(steps,
			"Fan running; goggles, face shield and gloves on; nobody else near.",
			"On the supply turn the current down to the hold current"+p.holdText()+", and the voltage limit to just above what the cell then shows.",
			"Lift the cathode out of the bath slowly, at the hold current and never at the working current: a live circuit sparks where it breaks, in hydrogen.",
			"OUTPUT OFF. Rinse the cathode with water.")
	case matter.Hold:
		steps = append(steps, "On the supply turn the current down to the hold current"+p.holdText()+".")
	default:
		steps = append(steps, "OUTPUT OFF on the supply.", "Goggles and gloves on; take the cathode out and rinse it with water.")
	}
	if p.Bath.Metal.Interrupt.Tolerance.Value <= 60 {
		never = "Do not switch it on again after it was off: " + p.Bath.Metal.Interrupt.Why + "."
	} else {
		never = "Do not switch it on again without the person named below."
	}
	return anyone, steps, never
}
