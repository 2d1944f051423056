package main

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync/atomic"
	"time"
)

// progress is a line on a terminal that says how far something is that takes long. Every byte that is read for it is written to it.
type progress struct {
	to    io.Writer // nil: no terminal
	what  string
	total int64 // bytes that will be read; 0: nobody knows
	begun time.Time
	read  atomic.Int64
	stop  chan struct{}
	drawn chan struct{}
}

// progress begins one on standard error, where that is a terminal and what is written beside it goes to none. It draws
// nothing in its first moment, and neither colours nor escapes ever (NO_COLOR asks for no more). Call end before anything else is said.
func (s *shell) progress(beside io.Writer, what string, files ...string) *progress {
	p := &progress{what: what, begun: time.Now(), stop: make(chan struct{}), drawn: make(chan struct{})}
	_, torn := columns(beside)
	if _, terminal := columns(s.err); terminal && !torn {
		p.to = s.err
	}
	for _, file := range files {
		if info, err := os.Stat(file); err == nil && info.Mode()&fs.ModeType == 0 {
			p.total += info.Size()
		}
	}
	go p.draw()
	return p
}

// Write counts.
func (p *progress) Write(b []byte) (int, error) {
	p.read.Add(int64(len(b)))
	return len(b), nil
}

func (p *progress) draw() {
	defer close(p.drawn)
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	for width := 0; ; { // ends with end
		select {
		case <-p.stop:
			if width > 0 {
				fmt.Fprintf(p.to, "\r%*s\r", width, "")
			}
			return
		case <-tick.C:
			if p.to != nil {
				n, _ := fmt.Fprintf(p.to, "\r%-*s", width, p.line(time.Since(p.begun)))
				width = max(width, n-1)
			}
		}
	}
}

func (p *progress) line(since time.Duration) string {
	read := p.read.Load()
	if p.total <= 0 || read <= 0 || read > p.total {
		return fmt.Sprintf("%s: %.1f MB", p.what, float64(read)/1e6)
	}
	left := time.Duration(float64(since) * float64(p.total-read) / float64(read))
	return fmt.Sprintf("%s: %d %%, %s left", p.what, 100*read/p.total, left.Round(time.Second))
}

// end takes the line away.
func (p *progress) end() {
	close(p.stop)
	<-p.drawn
}
