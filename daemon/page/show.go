package page

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
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
	Flash   any    // a text; nil: none
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
		f.Who, f.Flash, f.SignOut = s.who, s.flash.Swap(""), s.issue("logout", "", "", "")
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

// page serves what do answers, and shows its error as a page that says how to go on. Nothing is posted but from this site.
func (p *Page) page(do func(w http.ResponseWriter, r *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var err error
		if r.Method == http.MethodPost && !sameOrigin(r) {
			err = refusal(http.StatusForbidden, "this request does not come from this page")
		} else if err = do(w, r); err == nil {
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
	data := struct {
		frameOf
		Headline string
		Standing sentence.Standing
		Cells    []brief
		Dense    bool
	}{frameOf: p.frameFor(r, "All cells", "all"), Cells: p.briefs(cells, p.s.Now()), Dense: dense(cells)}
	data.Headline, data.Standing = headline(data.Cells)
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
	}{frameOf: p.frameFor(r, sentence.Name(c.Name), c.Name), Cell: p.view(c, p.s.Now())}
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
