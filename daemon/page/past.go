package page

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/history"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

// figures is a column of a curve. What is not known is null, which breaks the line.
type figures = []figure

type figure = quantity.Maybe

// curve is a window of a run as the page draws it. Times are Unix seconds.
type curve struct {
	Run      string     `json:"run"`
	First    float64    `json:"first"`
	Last     float64    `json:"last"`
	T        figures    `json:"t"`
	VoltsLow figures    `json:"volts_low"`
	VoltsTop figures    `json:"volts_top"`
	AmpsLow  figures    `json:"amperes_low"`
	AmpsTop  figures    `json:"amperes_top"`
	Charge   figures    `json:"charge_ampere_hours"`
	Gaps     []gapMark  `json:"gaps"`
	Marks    []mark     `json:"marks"`
	Plan     *planCurve `json:"plan"`
	Complete bool       `json:"complete"`
	Offsets  [][2]int64 `json:"offsets"` // of the clock against UTC: from when, and seconds east of Greenwich
}

// gapMark is a shaded stretch.
type gapMark struct {
	Index int64   `json:"index"`
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Text  string  `json:"text"`
}

// mark is a sign on the time axis.
type mark struct {
	At   float64 `json:"at"`
	Sign string  `json:"sign"`
	Text string  `json:"text"`
}

// planCurve is where the charge should be: from Began with Slope A·h/s up to Target A·h.
type planCurve struct {
	Began  float64 `json:"began"`
	Slope  figures `json:"slope"` // one figure, null when not known
	Target figures `json:"target"`
}

const (
	fewestPoints = 50
	mostPoints   = 4000
	firstPoints  = 1000 // before the width of the curves is known
)

// history serves a window of a run for the curves. Its errors are plain text, which the curves show.
func (p *Page) history(w http.ResponseWriter, r *http.Request) {
	var body []byte
	c, err := p.curves(r)
	if err == nil {
		body, err = json.Marshal(c)
	}
	if err != nil {
		if control.StatusOf(err) == http.StatusTooManyRequests {
			w.Header().Set("Retry-After", "1")
		}
		http.Error(w, err.Error(), control.StatusOf(err))
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(body) // the reader may have gone
}

// curves reads the window that a request asks for.
func (p *Page) curves(r *http.Request) (*curve, error) {
	if !p.reads.Allow() {
		return nil, refusal(http.StatusTooManyRequests, "too many requests for curves")
	}
	q := r.URL.Query()
	from, err1 := moment(q, "from")
	to, err2 := moment(q, "to")
	points, err3 := strconv.Atoi(q.Get("points"))
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, refusal(http.StatusBadRequest, "from and to are Unix times in seconds or absent, points is a whole number")
	}
	name := r.PathValue("cell")
	win, err := p.s.History.Window(r.Context(), name, q.Get("run"), from, to, min(max(points, fewestPoints), mostPoints))
	switch {
	case errors.Is(err, history.ErrNoRun):
		return nil, errNoRun
	case err != nil:
		if r.Context().Err() == nil {
			p.s.Log.Warn("page: history", "cell", name, "err", err)
		}
		return nil, refusal(http.StatusInternalServerError, "the history cannot be read; see the journal")
	}
	var plan *planCurve
	if q.Get("run") == "" {
		plan = planOf(p.snapshotOf(name))
	}
	return p.curveOf(win, plan), nil
}

// moment reads a Unix time in seconds; absent is the zero time.
func moment(q url.Values, key string) (time.Time, error) {
	s := q.Get(key)
	if s == "" {
		return time.Time{}, nil
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x >= 0 && x < 9e9) {
		return time.Time{}, fmt.Errorf("%s=%q is not a time", key, s)
	}
	return time.Unix(0, int64(x*1e9)), nil
}

func unixSeconds(t time.Time) float64 { return math.Round(float64(t.UnixMilli())) / 1e3 }

func (p *Page) curveOf(w *history.Window, plan *planCurve) *curve {
	c := &curve{Run: w.Run, First: unixSeconds(w.First), Last: unixSeconds(w.Last), Complete: w.Complete, Plan: plan, Gaps: []gapMark{}, Marks: []mark{}, Offsets: offsets(p.s.Zone, w.First, w.Last),
		T: figures{}, VoltsLow: figures{}, VoltsTop: figures{}, AmpsLow: figures{}, AmpsTop: figures{}, Charge: figures{}}
	gap := 0
	nan := math.NaN()
	for i := range w.Points {
		pt := &w.Points[i]
		for gap < len(w.Gaps) && w.Gaps[gap].To.UnixNano() <= pt.At {
			// The line breaks where nobody observed.
			if g := &w.Gaps[gap]; i > 0 && w.Points[i-1].At <= g.From.UnixNano()+int64(time.Second) {
				c.add(float64(g.From.Add(g.To.Sub(g.From)/2).UnixMilli())/1e3, &history.Point{MinVolts: nan, MaxVolts: nan, MinAmperes: nan, MaxAmperes: nan, Coulombs: nan})
			}
			gap++
		}
		c.add(float64(pt.At/1e6)/1e3, pt)
	}
	for _, g := range w.Gaps {
		c.Gaps = append(c.Gaps, gapMark{g.Index, unixSeconds(g.From), unixSeconds(g.To), gapText(g)})
	}
	for _, e := range w.Events {
		if e.Kind == runlog.KindAlarm && e.State != "UNACK" {
			continue // where it began is marked; the rest is in the table
		}
		if i, _ := ofGap(e, w.Gaps); i >= 0 {
			continue // the shading says it
		}
		l := p.eventLine(e)
		c.Marks = append(c.Marks, mark{unixSeconds(e.At), l.Mark, l.Title})
	}
	return c
}

// offsets are those of a zone between two moments, and the change that comes next: an
// open page draws on for a while.
func offsets(zone *time.Location, first, last time.Time) [][2]int64 {
	var all [][2]int64
	for t := first.In(zone); ; {
		_, east := t.Zone()
		_, end := t.ZoneBounds()
		all = append(all, [2]int64{t.Unix(), int64(east)})
		if end.IsZero() || t.After(last) {
			return all
		}
		t = end
	}
}

func (c *curve) add(t float64, p *history.Point) {
	c.T = append(c.T, figure(t))
	c.VoltsLow, c.VoltsTop = append(c.VoltsLow, figure(p.MinVolts)), append(c.VoltsTop, figure(p.MaxVolts))
	c.AmpsLow, c.AmpsTop = append(c.AmpsLow, figure(p.MinAmperes)), append(c.AmpsTop, figure(p.MaxAmperes))
	c.Charge = append(c.Charge, figure(math.Round(p.Coulombs/3600*1e4)/1e4))
}

// planOf is the plan of the open run. Its slope is known while the plan has not reached the target.
func planOf(c *snapshot.Cell) *planCurve {
	if c == nil || c.Began.IsZero() || math.IsNaN(c.Charge.TargetCoulombs) {
		return nil
	}
	slope := figure(math.NaN())
	if a := c.Charge.PlanAmperes; a > 0 {
		slope = figure(a / 3600)
	}
	return &planCurve{unixSeconds(c.Began), figures{slope}, figures{figure(math.Round(c.Charge.TargetCoulombs/3600*1e3) / 1e3)}}
}

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
