package page

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/report"
	"nightcell/daemon/snapshot"
)

// frameOf is what every page shows around its content.
type frameOf struct {
	Title   string
	Topic   string // of the live events; empty: none
	Now     string
	Zone    string
	Who     string
	MaySee  bool   // signing in is possible at all
	SignOut string // the token of that form
	Flash   string
	Path    string
	Curves  string // where those of the page come from, so that they are on their way before any script; empty: there are none
}

func (p *Page) frameFor(r *http.Request, title, topic string) frameOf {
	now := p.s.Now().In(p.s.Zone)
	f := frameOf{
		Title: title, Topic: topic, Now: now.Format("15:04:05"), Zone: zoneName(now),
		MaySee: !p.s.Token.IsZero(), Path: r.URL.Path,
	}
	if s := p.sessions.of(r); s != nil {
		f.Who, f.Flash, f.SignOut = s.who, s.takeFlash(), s.issue("logout", "", "", "")
	}
	return f
}

// zoneName says which clock the page goes by at a moment in its zone.
func zoneName(now time.Time) string {
	if _, offset := now.Zone(); offset == 0 {
		return now.Format("MST")
	}
	return now.Format("MST, UTC-07:00")
}

// render writes a page, or an error and no half page.
func (p *Page) render(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := p.html.ExecuteTemplate(&b, name, data); err != nil {
		p.s.Log.Error("page", "template", name, "err", err)
		http.Error(w, "the page could not be built; see the journal", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = b.WriteTo(w) // the reader may have gone; nothing is lost
}

// refusal is the error of a request that is not answered, with its HTTP status.
func refusal(status int, format string, args ...any) error {
	return &control.Problem{Status: status, Text: fmt.Errorf(format, args...).Error()}
}

// page serves what do answers, and shows its error as a page that says how to go on.
func (p *Page) page(do func(w http.ResponseWriter, r *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		err := do(w, r)
		if err == nil {
			return
		}
		status := control.StatusOf(err)
		p.render(w, status, "message.html", struct {
			frameOf
			Text string
		}{p.frameFor(r, http.StatusText(status), ""), err.Error()})
	}
}

// night shows all cells.
func (p *Page) night(w http.ResponseWriter, r *http.Request) {
	cells := p.cells()
	if len(cells) == 1 {
		p.showCell(w, r, cells[0])
		return
	}
	now := p.s.Now()
	data := struct {
		frameOf
		Headline headline
		Cells    []brief
		Rows     []denseRow // in place of Cells where there are many
	}{frameOf: p.frameFor(r, "All cells", "all"), Headline: headlineOf(cells, now)}
	for _, c := range byNeed(cells, now) {
		if dense(cells) {
			data.Rows = append(data.Rows, p.denseRow(c, now))
		} else {
			data.Cells = append(data.Cells, p.brief(c, now))
		}
	}
	p.render(w, http.StatusOK, "night.html", data)
}

// cell shows one.
func (p *Page) cell(w http.ResponseWriter, r *http.Request) error {
	c := p.snapshotOf(r.PathValue("cell"))
	if c == nil {
		return refusal(http.StatusNotFound, "there is no such cell")
	}
	p.showCell(w, r, c)
	return nil
}

func (p *Page) showCell(w http.ResponseWriter, r *http.Request, c *snapshot.Cell) {
	data := struct {
		frameOf
		Cell    cellView
		Charted string // the run whose curves are shown; empty: the newest
		Earlier []earlier
		Ledger  []report.Figure
	}{frameOf: p.frameFor(r, sentence.Name(c.Name), c.Name), Cell: p.view(c)}
	if p.s.Ledger != nil {
		data.Ledger = p.s.Ledger(c.Name)
	}
	runs, err := p.s.History.Runs(c.Name)
	if err != nil {
		p.s.Log.Warn("page: listing runs", "cell", c.Name, "err", err)
	}
	asked := r.URL.Query().Get("run")
	for i := len(runs) - 1; i >= 0; i-- {
		e := earlier{Run: runs[i], Text: p.runText(runs[i]), Newest: i == len(runs)-1}
		if runs[i] == asked && !e.Newest {
			data.Charted, e.Shown = asked, true
		}
		if data.Earlier = append(data.Earlier, e); len(data.Earlier) == 30 {
			break // older ones are in the data directory
		}
	}
	data.Curves = fmt.Sprintf("/cell/%s/history?points=%d", url.PathEscape(c.Name), firstPoints)
	if data.Charted != "" {
		data.Curves += "&run=" + url.QueryEscape(data.Charted)
	}

	p.render(w, http.StatusOK, "cell.html", data)
}

// earlier is a run that may be looked at.
type earlier struct {
	Run, Text string
	Newest    bool
	Shown     bool
}

// byNeed puts the cells that need somebody before the others, the most urgent alarm first. Among
// equals the order of the configuration stays, so that a cell is where it was.
func byNeed(cells []*snapshot.Cell, now time.Time) []*snapshot.Cell {
	type needing struct {
		cell           *snapshot.Cell
		stand, urgency int
	}
	rank := map[sentence.Standing]int{sentence.Act: 0, sentence.Look: 1, sentence.Well: 2}
	all := make([]needing, len(cells))
	for i, c := range cells {
		all[i] = needing{c, rank[sentence.Of(c, now, time.UTC).Standing], sentence.Urgency(c.Alarms)}
	}
	slices.SortStableFunc(all, func(a, b needing) int {
		return cmp.Or(cmp.Compare(a.stand, b.stand), cmp.Compare(b.urgency, a.urgency))
	})
	sorted := make([]*snapshot.Cell, len(all))
	for i, n := range all {
		sorted[i] = n.cell
	}
	return sorted
}

// headline counts cells by their standing.
type headline struct {
	Text     string
	Standing sentence.Standing
}

func headlineOf(cells []*snapshot.Cell, now time.Time) headline {
	n := map[sentence.Standing]int{}
	for _, c := range cells {
		n[sentence.Of(c, now, time.UTC).Standing]++
	}
	say := fmt.Sprintf("; %d normal.", n[sentence.Well])
	act, look := sentence.Plural(n[sentence.Act], "cell"), sentence.Plural(n[sentence.Look], "cell")
	switch {
	case len(cells) == 0:
		return headline{"No cell has reported yet.", sentence.Look}
	case n[sentence.Act] > 0 && n[sentence.Look] > 0:
		return headline{"Go to " + act + " now; check " + look + " when you can" + say, sentence.Act}
	case n[sentence.Act] > 0:
		return headline{"Go to " + act + " now" + say, sentence.Act}
	case n[sentence.Look] > 0:
		return headline{"Check " + look + " when you can" + say, sentence.Look}
	}
	return headline{fmt.Sprintf("All %d cells are normal.", len(cells)), sentence.Well}
}
