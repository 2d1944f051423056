package page

import (
	"bytes"
	"encoding/json"
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

// live gives all pages that listen the same events, made once for all of them. Pages
// only pull: nobody waits for one that is slow.
type live struct {
	make func(topic string) map[string]string

	mu      sync.Mutex
	topics  map[string]*topic
	streams int
}

// topic is what one kind of page listens to. An event carries only what has changed.
type topic struct {
	mu    sync.Mutex
	at    time.Time
	seq   uint64
	state map[string]string
	diff  []byte // from seq-1 to seq
	users int    // guarded by live.mu
}

func newLive(makeState func(topic string) map[string]string) *live {
	return &live{make: makeState, topics: make(map[string]*topic)}
}

// join lets a page listen; false: too many do.
func (l *live) join(name string) (*topic, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.streams >= mostStreams {
		return nil, false
	}
	t := l.topics[name]
	if t == nil {
		t = &topic{}
		l.topics[name] = t
	}
	l.streams++
	t.users++
	return t, true
}

func (l *live) leave(name string, t *topic) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.streams--
	if t.users--; t.users == 0 {
		delete(l.topics, name)
	}
}

// next returns the event that leads from seq to the newest state, which is made anew when it is older than a tick.
func (l *live) next(name string, t *topic, seq uint64) ([]byte, uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if now := time.Now(); now.Sub(t.at) >= tick*9/10 {
		t.at = now
		t.advance(l.make(name))
	}
	switch seq {
	case t.seq:
		return nil, seq
	case t.seq - 1:
		if seq > 0 {
			return t.diff, t.seq
		}
	}
	return event(t.state), t.seq
}

// advance takes a new state in.
func (t *topic) advance(state map[string]string) {
	changed := make(map[string]string)
	for k, v := range state {
		if old, ok := t.state[k]; !ok || old != v {
			changed[k] = v
		}
	}
	t.state = state
	t.seq++
	t.diff = event(changed)
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
	t, ok := p.live.join(name)
	if !ok {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages are open", http.StatusServiceUnavailable)
		return nil
	}
	defer p.live.leave(name, t)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no")
	out := http.NewResponseController(w)
	if err := out.SetReadDeadline(time.Time{}); err != nil { // the time to send a request is not the time to listen
		p.s.Log.Debug("page: deadline", "err", err)
	}
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	seq := uint64(0)
	message := []byte("retry: 2000\n\n")
	if r.URL.Query().Has("actor") { // a page that shows who is signed in, which a restart ends
		who := ""
		if s := p.sessions.of(r); s != nil {
			who = s.who
		}
		message = append(message, event(map[string]string{"w": who})...)
	}
	for {
		next, now := p.live.next(name, t, seq)
		seq = now
		message = append(message, next...)
		if err := out.SetWriteDeadline(time.Now().Add(slowest)); err != nil {
			return nil
		}
		if _, err := w.Write(message); err != nil {
			return nil
		}
		if err := out.Flush(); err != nil {
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
