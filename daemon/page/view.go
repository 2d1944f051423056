package page

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

// brief is a cell in the list of all.
type brief struct {
	Name     string
	Standing sentence.Standing
	Bar      bar
	Texts    map[string]string // by their names in live events
	Calls    string            // what a screen reader is told when it changes: the alarms that wait for an answer
	urgency  int
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

// brief tells of a cell in sentences, or as a row of figures in the units of their heads.
func (p *Page) brief(c *snapshot.Cell, now time.Time, row bool) brief {
	s := sentence.Of(c, now, p.s.Zone)
	b := brief{Name: c.Name, Standing: s.Standing, Bar: barOf(c), urgency: sentence.Urgency(c.Alarms)}
	b.Texts = map[string]string{
		"standing": standingTexts[s.Standing], "age": age(c, now), "volts": volts(c), "amperes": amperes(c),
		"progress": unbroken.Replace(s.Progress), "trouble": unbroken.Replace(s.Trouble),
	}
	var open, waiting []string
	for _, a := range sentence.ByUrgency(c.Alarms) {
		if !a.State.Hidden() {
			open = append(open, sentence.Name(a.Condition))
		}
		if a.State == alerts.UNACK {
			waiting = append(waiting, sentence.Name(a.Condition))
		}
	}
	if waiting != nil {
		b.Calls = sentence.Name(c.Name) + ": " + strings.Join(waiting, ", ") + "."
	}
	if !row {
		return b
	}
	delete(b.Texts, "progress")
	if open != nil || s.Standing == sentence.Well {
		b.Texts["trouble"] = strings.Join(open, ", ")
	}
	b.Texts["share"] = strings.TrimSuffix(percent(c.Charge.CountedCoulombs/c.Charge.TargetCoulombs, ""), "\u202f%")
	b.Texts["target"], b.Texts["finish"] = sentence.Figure(c.Charge.TargetCoulombs/3600, 4), p.finish(c)
	for _, key := range []string{"volts", "amperes"} {
		b.Texts[key], _, _ = strings.Cut(b.Texts[key], "\u202f")
	}
	return b
}

// briefs are all cells, those that need somebody before the others, the most urgent alarm first. Among
// equals the order of the configuration stays, so that a cell is where it was.
func (p *Page) briefs(cells []*snapshot.Cell, now time.Time) []brief {
	rank := map[sentence.Standing]int{sentence.Act: 0, sentence.Look: 1, sentence.Well: 2}
	all := make([]brief, len(cells))
	for i, c := range cells {
		all[i] = p.brief(c, now, dense(cells))
	}
	slices.SortStableFunc(all, func(a, b brief) int {
		return cmp.Or(cmp.Compare(rank[a.Standing], rank[b.Standing]), cmp.Compare(b.urgency, a.urgency))
	})
	return all
}

// headline counts cells by their standing, and says what the worst of them asks for.
func headline(cells []brief) (string, sentence.Standing) {
	n := map[sentence.Standing]int{}
	for _, c := range cells {
		n[c.Standing]++
	}
	say := fmt.Sprintf("; %d normal.", n[sentence.Well])
	act, look := quantity.Count(n[sentence.Act], "cell"), quantity.Count(n[sentence.Look], "cell")
	switch {
	case len(cells) == 0:
		return "No cell has reported yet.", sentence.Look
	case n[sentence.Act] > 0 && n[sentence.Look] > 0:
		return "Go to " + act + " now; check " + look + " when you can" + say, sentence.Act
	case n[sentence.Act] > 0:
		return "Go to " + act + " now" + say, sentence.Act
	case n[sentence.Look] > 0:
		return "Check " + look + " when you can" + say, sentence.Look
	}
	return fmt.Sprintf("All %d cells are normal.", len(cells)), sentence.Well
}

// cellView is all that is shown of one cell.
type cellView struct {
	brief
	Run      string
	Open     bool // a run is open
	May      bool // somebody can sign in
	Cell     *snapshot.Cell
	Groups   []group
	Alarms   []alarmView
	Aside    []alarmView // not judged, or set aside by a person
	Happened happenedView
}

// view gathers everything for one cell.
func (p *Page) view(c *snapshot.Cell, now time.Time) cellView {
	h := p.s.History.Happened(c.Name)
	standing, aside := p.alarms(c, now)
	return cellView{
		brief: p.brief(c, now, false), Run: p.runText(c.Run), Open: !c.Waiting && !c.Ended, May: !p.s.Token.IsZero(), Cell: c,
		Groups: p.sheet(c, h.Hand, now), Alarms: standing, Aside: aside, Happened: p.happened(h),
	}
}

// runText tells a run by its beginning.
func (p *Page) runText(run string) string {
	if run == "" {
		return ""
	}
	began, err := runlog.Began(run)
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

// liveText marks a text that live events replace.
func liveText(cell, key, text string) template.HTML {
	escape := template.HTMLEscapeString
	return template.HTML(`<span data-live="` + escape(cell+"."+key) + `">` + escape(text) + `</span>`)
}

// handful is how many cells are shown each with its sentence. More are a table that one scans.
const handful = 6

func dense(cells []*snapshot.Cell) bool { return len(cells) > handful }
