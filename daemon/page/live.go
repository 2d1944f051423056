package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

const (
	tick        = 500 * time.Millisecond // between two looks at the snapshots
	mostStreams = 128                    // pages that listen at a time
	slowest     = 10 * time.Second       // a page that does not take an event within this is cut off
)

// live makes what the pages of a topic show once for all that listen. Pages only pull: nobody waits for one that is slow.
type live struct {
	make   func(topic string) map[string]string
	places chan struct{} // one taken by each page that listens

	mu     sync.Mutex
	states map[string]state // by topic
}

// state is what pages of a topic show at a moment. Nobody may change it.
type state struct {
	at    time.Time
	shown map[string]string
}

// state returns the newest, which is made anew when it is older than a tick.
func (l *live) state(topic string) map[string]string {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.states[topic]
	if now := time.Now(); now.Sub(s.at) >= tick*9/10 {
		s = state{now, l.make(topic)}
		l.states[topic] = s
	}
	return s.shown
}

// changed is what is not now as it was before.
func changed(before, now map[string]string) map[string]string {
	diff := make(map[string]string)
	for k, v := range now {
		if old, ok := before[k]; !ok || old != v {
			diff[k] = v
		}
	}
	return diff
}

// event is one server-sent event (WHATWG HTML, 9.2).
func event(m map[string]string) []byte {
	b, _ := json.Marshal(m) // a map of strings always can be
	return fmt.Appendf(nil, "data: %s\n\n", b)
}

// events serves the stream of one page.
func (p *Page) events(w http.ResponseWriter, r *http.Request) error {
	name := r.URL.Query().Get("of")
	if name != "all" && p.snapshotOf(name) == nil {
		return refusal(http.StatusNotFound, "there is no such cell")
	}
	select { // at once
	case p.live.places <- struct{}{}:
		defer func() { <-p.live.places }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are open", http.StatusServiceUnavailable)
		return nil
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no")
	out := http.NewResponseController(w)
	if err := out.SetReadDeadline(time.Time{}); err != nil { // the time to send a request is not the time to listen
		p.s.Log.Debug("page: deadline", "err", err)
	}
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	var shown map[string]string
	message := []byte("retry: 2000\n\n")
	if r.URL.Query().Has("actor") { // a page that shows who is signed in, which a restart ends
		who := ""
		if s := p.sessions.of(r); s != nil {
			who = s.who
		}
		message = append(message, event(map[string]string{"w": who})...)
	}
	for {
		now := p.live.state(name)
		message = append(message, event(changed(shown, now))...)
		shown = now
		late := out.SetWriteDeadline(time.Now().Add(slowest))
		if _, err := w.Write(message); errors.Join(late, err, out.Flush()) != nil {
			return nil
		}
		message = nil
		select { // ends with the request or with the daemon; the ticker always comes
		case <-r.Context().Done():
			return nil
		case <-ticker.C:
		}
	}
}

// frame is the state that a page of a topic shows. The first letter of a key tells
// what is replaced: t a text, s a standing, b a bar, h a part of the page, n numbers
// for the curves, a what is announced, o the order of the cells, w who is signed in, @ the clock.
func (p *Page) frame(name string) map[string]string {
	now := p.s.Now().In(p.s.Zone)
	m := map[string]string{"@": now.Format("15:04:05"), "t:zone": zoneName(now)}
	cells := p.cells()
	if name == "all" {
		h := headlineOf(cells, now)
		m["t:all.headline"], m["s:all"] = h.Text, string(h.Standing)
		var order []string
		for _, c := range byNeed(cells, now) {
			if dense(cells) {
				p.denseFrame(m, c, now)
			} else {
				p.briefFrame(m, c, now)
			}
			order = append(order, c.Name)
		}
		m["o:all"] = strings.Join(order, "\n")
		return m
	}
	for _, c := range cells {
		if c.Name != name {
			continue
		}
		p.briefFrame(m, c, now)
		p.cellFrame(m, c, now)
	}
	return m
}

func (p *Page) briefFrame(m map[string]string, c *snapshot.Cell, now time.Time) {
	b := p.brief(c, now)
	set := func(key, v string) { m["t:"+c.Name+"."+key] = v }
	set("progress", b.Progress)
	set("trouble", b.Trouble)
	set("standing", b.StandingText)
	set("volts", b.Volts)
	set("amperes", b.Amperes)
	set("age", b.Age)
	m["s:"+c.Name] = string(b.Standing)
	m["b:"+c.Name] = b.Bar.String()
	m["a:"+c.Name] = announcement(c)
}

// denseFrame has the columns of a row, in the units of their heads.
func (p *Page) denseFrame(m map[string]string, c *snapshot.Cell, now time.Time) {
	d := p.denseRow(c, now)
	for _, v := range d.Cells() {
		m["t:"+c.Name+"."+v.Key] = v.Text
	}
	m["t:"+c.Name+".standing"], m["s:"+c.Name] = d.StandingText, string(d.Standing)
	m["a:"+c.Name] = announcement(c)
}

func (p *Page) cellFrame(m map[string]string, c *snapshot.Cell, now time.Time) {
	h := p.s.History.Happened(c.Name)
	for _, g := range p.sheet(c, h.Hand, now) {
		for _, r := range g.Rows {
			m["t:"+c.Name+"."+r.Key] = r.Value
			m["t:"+c.Name+"."+r.Key+".note"] = r.Note
		}
	}
	standing, aside := p.alarms(c, now)
	v := cellView{brief: brief{Name: c.Name, Title: sentence.Name(c.Name)}, Alarms: standing, Aside: aside, Happened: p.happened(h), May: !p.s.Token.IsZero()}
	for _, part := range []string{"alarms", "happened"} {
		var b bytes.Buffer
		if err := p.html.ExecuteTemplate(&b, part, v); err != nil {
			p.s.Log.Error("page", "template", part, "err", err)
			continue
		}
		m["h:"+c.Name+"."+part] = b.String()
	}
	if !c.Reading.At.IsZero() && !c.Ended {
		m["n:"+c.Name] = fmt.Sprintf("%.3f %.6g %.6g %.8g", float64(c.Reading.At.UnixMilli())/1e3, c.Reading.Volts, c.Reading.Amperes, c.Charge.CountedCoulombs/3600)
	}
}
