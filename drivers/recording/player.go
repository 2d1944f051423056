package recording

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
)

// Piece is a part of an answer and how long after the part before, or the message, it comes.
type Piece struct {
	After time.Duration
	Text  string
}

// Player answers out of a recording as the supply did. To each message it gives the answers that the recording has to it, one after the
// other, and then the last again. It knows neither time of day nor what the cell does. Not for several goroutines.
type Player struct {
	Unknown []string // messages that the recording does not have, in the order in which they came first

	answers map[string][][]Piece
	next    map[string]int
}

// Player plays the port that was opened first, as far as it was open with the settings that it had last: what
// was said before at another rate is no answer of this line.
func (r *Recording) Player() (*Player, error) {
	p := &Player{answers: map[string][][]Piece{}, next: map[string]int{}}
	port, settings := 0, ""
	for _, e := range r.Events {
		if e.Kind == Opened && (port == 0 || e.Port == port) {
			port, settings = e.Port, e.Text
		}
	}
	open, message, last := false, "", time.Duration(0)
	for _, e := range r.Events {
		switch {
		case e.Port != port:
		case e.Kind == Opened:
			open, message = e.Text == settings, ""
		case !open:
		case e.Kind == Sent:
			message, last = e.Text, e.At
			p.answers[message] = append(p.answers[message], nil)
		case message != "":
			all := p.answers[message]
			all[len(all)-1] = append(all[len(all)-1], Piece{e.At - last, e.Text})
			last = e.At
		}
	}
	if len(p.answers) == 0 {
		return nil, fmt.Errorf("nothing was asked in the recording, so it has no answers")
	}
	return p, nil
}

// Hear takes the first whole message out of what has come, and says how long it is and what is answered; 0: no message is whole yet.
func (p *Player) Hear(heard []byte) (length int, answer []Piece) {
	for message := range p.answers {
		if len(message) > length && strings.HasPrefix(string(heard), message) {
			length = len(message)
		}
	}
	message := string(heard[:length])
	if length == 0 {
		length = strings.IndexAny(string(heard), "\r\n") + 1
		if message = strings.TrimSpace(string(heard[:length])); message != "" && !slices.Contains(p.Unknown, message) {
			p.Unknown = append(p.Unknown, message)
		}
		return length, nil
	}
	all, n := p.answers[message], p.next[message]
	p.next[message]++
	return length, all[min(n, len(all)-1)]
}

// Serve answers on a connection until it ends.
func (p *Player) Serve(conn io.ReadWriter) error {
	var heard []byte
	b := make([]byte, 4096)
	for {
		n, err := conn.Read(b)
		if err != nil {
			return err
		}
		heard = append(heard, b[:n]...)
		for {
			length, answer := p.Hear(heard)
			if length == 0 {
				break
			}
			heard = heard[length:]
			for _, piece := range answer {
				time.Sleep(piece.After)
				if _, err := io.WriteString(conn, piece.Text); err != nil {
					return err
				}
			}
		}
	}
}
