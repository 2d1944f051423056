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
	var shown []brief
	if name == "all" {
		var order []string
		shown = p.briefs(p.cells(), now)
		for _, b := range shown {
			order = append(order, b.Name)
		}
		text, standing := headline(shown)
		m["t:all.headline"], m["s:all"], m["o:all"] = text, string(standing), strings.Join(order, "\n")
	} else if c := p.snapshotOf(name); c != nil {
		v := p.view(c, now)
		shown = []brief{v.brief}
		p.cellFrame(m, v)
	}
	for _, b := range shown {
		for key, text := range b.Texts {
			m["t:"+b.Name+"."+key] = text
		}
		m["s:"+b.Name], m["b:"+b.Name], m["a:"+b.Name] = string(b.Standing), b.Bar.String(), b.Calls
	}
	return m
}

// cellFrame adds what the page of a cell alone has.
func (p *Page) cellFrame(m map[string]string, v cellView) {
	for _, g := range v.Groups {
		for _, r := range g.Rows {
			m["t:"+v.Name+"."+r.Key] = r.Value
			m["t:"+v.Name+"."+r.Key+".note"] = r.Note
		}
	}
	for _, part := range []string{"alarms", "happened"} {
		var b bytes.Buffer
		if err := p.html.ExecuteTemplate(&b, part, v); err != nil {
			p.s.Log.Error("page", "template", part, "err", err)
			continue
		}
		m["h:"+v.Name+"."+part] = b.String()
	}
	if c := v.Cell; !c.Reading.At.IsZero() && !c.Ended {
		m["n:"+v.Name] = fmt.Sprintf("%.3f %.6g %.6g %.8g", float64(c.Reading.At.UnixMilli())/1e3, c.Reading.Volts, c.Reading.Amperes, c.Charge.CountedCoulombs/3600)
	}
}
