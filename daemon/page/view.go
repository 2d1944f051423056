package page

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/cursor"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// brief is a cell in the list of all.
type brief struct {
	Name, Title       string
	Standing          sentence.Standing
	StandingText      string
	Progress, Trouble string
	Volts, Amperes    string
	Age               string
	Bar               bar
}

// bar is the charge as a part of the target, in percent; negative: not known.
type bar struct{ Share, Plan float64 }

// String is how live events carry it.
func (b bar) String() string { return fmt.Sprintf("%.1f %.1f", b.Share, b.Plan) }

// Known says that there is a target to draw against.
func (b bar) Known() bool { return b.Share >= 0 }

// PlanKnown says that there is a plan to draw.
func (b bar) PlanKnown() bool { return b.Plan >= 0 }

func barOf(c *snapshot.Cell) bar {
	target := c.Charge.TargetCoulombs
	part := func(x float64) float64 {
		if !(target > 0) || math.IsNaN(x) {
			return -1
		}
		return math.Round(math.Min(100, math.Max(0, 100*x/target))*10) / 10
	}
	b := bar{part(c.Charge.CountedCoulombs), part(c.Charge.PlanCoulombs)}
	if c.Charge.TargetReached {
		b.Share = 100
	}
	return b
}

// unbroken keeps a figure, its uncertainty and its unit on one line of a narrow screen.
var unbroken = strings.NewReplacer(" ± ", "\u00a0±\u00a0", " A·h", "\u00a0A·h")

// standingTexts say what a person has to do.
var standingTexts = map[sentence.Standing]string{
	sentence.Well: "no action needed", sentence.Look: "check it when you can", sentence.Act: "go to the cell",
}

func (p *Page) brief(c *snapshot.Cell, now time.Time) brief {
	s := sentence.Of(c, now, p.s.Zone)
	return brief{
		Name: c.Name, Title: sentence.Name(c.Name), Standing: s.Standing, StandingText: standingTexts[s.Standing],
		Progress: unbroken.Replace(s.Progress), Trouble: unbroken.Replace(s.Trouble), Bar: barOf(c),
		Volts: volts(c), Amperes: amperes(c), Age: age(c, now),
	}
}

// cellView is all that is shown of one cell.
type cellView struct {
	brief
	Run      string
	Open     bool // a run is open
	May      bool // somebody can sign in
	MayOff   bool
	MayHold  bool
	Groups   []group
	Alarms   []alarmView
	Aside    []alarmView // not judged, or set aside by a person
	Happened happenedView
	Blind    []string
}

// view gathers everything for one cell.
func (p *Page) view(c *snapshot.Cell) cellView {
	now := p.s.Now()
	h := p.s.History.Happened(c.Name)
	standing, aside := p.alarms(c, now)
	return cellView{
		brief: p.brief(c, now), Run: p.runText(c.Run), Open: !c.Waiting && !c.Ended,
		MayOff: c.May.Off, MayHold: c.May.Hold, May: !p.s.Token.IsZero(),
		Groups: p.sheet(c, h.Hand, now), Alarms: standing, Aside: aside, Happened: p.happened(h), Blind: c.Blind,
	}
}

// runText tells a run by its beginning.
func (p *Page) runText(run string) string {
	if run == "" {
		return ""
	}
	began, err := cursor.Began(run)
	if err != nil {
		return run
	}
	return "run of " + began.In(p.s.Zone).Format("Mon 2 Jan 2006, 15:04")
}

// alarmView is one alarm as a person reads it.
type alarmView struct {
	alerts.Alarm
	Title, StateText string
	Since            string
	Confirms         string // what else would be seen if it is so
	Open             bool   // waits for somebody's answer
	Shelved, Resets  bool   // can be brought back, or released
}

// stateTexts put the states of IEC 62682 into words.
var stateTexts = map[alerts.State]string{
	alerts.UNACK: "active, not acknowledged", alerts.ACKED: "active, acknowledged",
	alerts.RTNUN: "cleared, not acknowledged", alerts.LTUNK: "cleared, latched, not acknowledged",
	alerts.LTACK: "cleared, latched until reset", alerts.SHLVD: "shelved",
	alerts.DSUPR: "suppressed", alerts.OOSRV: "out of service", alerts.NORM: "is over",
}

// alarms returns those that count, and those that are not judged or were set aside.
func (p *Page) alarms(c *snapshot.Cell, now time.Time) (standing, aside []alarmView) {
	for _, a := range sentence.ByUrgency(c.Alarms) {
		v := p.alarmView(a, now)
		if !a.State.Hidden() {
			standing = append(standing, v)
			continue
		}
		if !a.ShelfEnds.IsZero() {
			v.Reason += " until " + p.clock(a.ShelfEnds, now)
		}
		aside = append(aside, v)
	}
	return standing, aside
}

// alarmView puts one alarm into words.
func (p *Page) alarmView(a alerts.Alarm, now time.Time) alarmView {
	v := alarmView{
		Alarm: a, Title: sentence.Name(a.Condition), StateText: stateTexts[a.State], Since: p.clock(a.Since, now),
		Open: a.State.Unanswered(), Shelved: a.State == alerts.SHLVD, Resets: a.State == alerts.LTACK,
	}
	if known, err := alerts.ParseCondition(a.Condition); err == nil {
		v.Confirms = known.About().Confirms
	}
	return v
}

// clock writes a time of day, with the date when it is not the last or next hours.
func (p *Page) clock(t, now time.Time) string {
	if t.IsZero() {
		return sentence.Unknown
	}
	if d := now.Sub(t); d > 20*time.Hour || d < -20*time.Hour {
		return t.In(p.s.Zone).Format("2 Jan 15:04")
	}
	return t.In(p.s.Zone).Format("15:04:05")
}

// announcement is what a screen reader is told when it changes: the alarms that wait for an answer.
func announcement(c *snapshot.Cell) string {
	var names []string
	for _, a := range sentence.ByUrgency(c.Alarms) {
		if a.State == alerts.UNACK {
			names = append(names, sentence.Name(a.Condition))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return sentence.Name(c.Name) + ": " + strings.Join(names, ", ") + "."
}

// liveText marks a text that live events replace.
func liveText(cell, key, text string) template.HTML {
	escape := template.HTMLEscapeString
	return template.HTML(`<span data-live="` + escape(cell+"."+key) + `">` + escape(text) + `</span>`)
}

// handful is how many cells are shown each with its sentence. More are a table that one scans.
const handful = 6

func dense(cells []*snapshot.Cell) bool { return len(cells) > handful }

// denseRow is a cell in the table of all.
type denseRow struct {
	brief
	Trouble, Share, Target, Finish string
	volts, amperes                 string
}

// denseCell is one column of a row, whose unit stands in the head.
type denseCell struct {
	Key, Text string
	Number    bool
	Wide      bool // not on a narrow screen
}

// Cells are the columns after standing and name.
func (d denseRow) Cells() []denseCell {
	return []denseCell{
		{"trouble", d.Trouble, false, false}, {"share", d.Share, true, false}, {"target", d.Target, true, true}, {"volts", d.volts, true, true},
		{"amperes", d.amperes, true, true}, {"finish", d.Finish, true, true}, {"age", d.Age, true, true},
	}
}

func (p *Page) denseRow(c *snapshot.Cell, now time.Time) denseRow {
	d := denseRow{brief: p.brief(c, now), Finish: p.finish(c), Share: strings.TrimSuffix(percent(c.Charge.CountedCoulombs/c.Charge.TargetCoulombs, ""), "\u202f%"), Target: sentence.Figure(c.Charge.TargetCoulombs/3600, 4), volts: sentence.Unknown, amperes: sentence.Unknown}
	if !c.Reading.At.IsZero() {
		d.volts, d.amperes = sentence.Decimals(c.Reading.Volts, 3), sentence.Decimals(c.Reading.Amperes, 3)
	}
	var names []string
	for _, a := range sentence.ByUrgency(c.Alarms) {
		if !a.State.Hidden() {
			names = append(names, sentence.Name(a.Condition))
		}
	}
	if d.Trouble = strings.Join(names, ", "); names == nil && d.Standing != sentence.Well {
		d.Trouble = d.brief.Trouble
	}
	return d
}
