package page

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/history"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
)

// happenedView is what has happened in a run, newest first.
type happenedView struct {
	Lines []happenedLine
	More  int
}

// happenedLine is one event or gap.
type happenedLine struct {
	At    string // clock time
	Nanos int64
	Mark  string // the sign that the curves use
	Kind  string
	Title string
	Text  string
}

// mostLines are shown on the page.
const mostLines = 40

func (p *Page) happened(h history.Happened) happenedView {
	var v happenedView
	reasons := make([]string, len(h.Gaps))
	for _, e := range h.Events {
		if i, reason := ofGap(e, h.Gaps); i >= 0 {
			reasons[i] = reason
			continue
		}
		v.Lines = append(v.Lines, p.eventLine(e))
	}
	for i, g := range h.Gaps {
		v.Lines = append(v.Lines, happenedLine{
			At: g.From.In(p.s.Zone).Format("2 Jan 15:04:05"), Nanos: g.From.UnixNano(), Mark: "▒", Kind: "gap",
			Title: fmt.Sprintf("Gap %d", g.Index), Text: strings.TrimSpace(gapText(g) + " " + reasons[i]),
		})
	}
	slices.SortStableFunc(v.Lines, func(a, b happenedLine) int { return cmp.Compare(b.Nanos, a.Nanos) })
	v.More = h.More
	if len(v.Lines) > mostLines {
		v.More += len(v.Lines) - mostLines
		v.Lines = v.Lines[:mostLines]
	}
	return v
}

// gapRemark is how a remark on a gap begins, in logs of today and of the version before.
var gapRemark = regexp.MustCompile(`^(unobserved|nobody watched) for `)

// ofGap finds the gap that a remark of nightcell's own speaks of, and what it says
// beyond the gap's own figures; -1 when it is another event. Beside its gap it would say all twice.
func ofGap(e history.Event, gaps []history.Gap) (int, string) {
	if e.Name != "remark" || e.By != "" || !gapRemark.MatchString(e.Text) {
		return -1, ""
	}
	i := slices.IndexFunc(gaps, func(g history.Gap) bool { return g.To.Sub(e.At).Abs() < time.Second })
	parts := strings.SplitN(e.Text, "; ", 3)
	if i < 0 || len(parts) < 3 {
		return i, ""
	}
	return i, strings.ToUpper(parts[2][:1]) + parts[2][1:] + "."
}

func gapText(g history.Gap) string {
	text := fmt.Sprintf("No reading for %s (%s). Between %s passed; %s is counted.", sentence.Span(g.To.Sub(g.From)), g.Kind,
		unit(quantity.Between(g.Low/3600, g.High/3600, "and"), "A·h"), ampereHours(g.Best, 3))
	if g.Settled {
		text += " Settled by an operator."
	}
	return text
}

func (p *Page) eventLine(e history.Event) happenedLine {
	l := happenedLine{At: e.At.In(p.s.Zone).Format("2 Jan 15:04:05"), Nanos: e.At.UnixNano(), Kind: string(e.Kind), Text: e.Text}
	switch e.Kind {
	case runlog.KindAlarm:
		l.Mark, l.Title = "▲", sentence.Name(e.Name)+" "+stateText(e.State)
		if e.Priority != "" {
			l.Kind = e.Priority + " alarm"
		}
		if e.State != alerts.UNACK.String() {
			l.Text = "" // the title says it
		}
	case runlog.KindOutput:
		l.Mark, l.Title = "■", sentence.Name(e.Name)+": "+e.State
		l.Kind = "output"
	default:
		l.Mark, l.Title, l.Kind = "◆", sentence.Name(e.Name), "entry"
	}
	if e.By != "" {
		l.Text = strings.TrimSpace(l.Text + " (by " + e.By + ")")
	}
	return l
}

func stateText(state string) string {
	var s alerts.State
	if s.UnmarshalText([]byte(state)) != nil {
		return state
	}
	return stateTexts[s]
}
