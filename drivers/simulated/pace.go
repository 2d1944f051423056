package simulated

import "time"

// bitsPerCharacter is a start bit, eight data bits and a stop bit.
const bitsPerCharacter = 10

// spin is how long before an instant a precise wait stops sleeping and watches the clock: longer than the
// kernel is usually late.
const spin = 100 * time.Microsecond

// pace makes a pseudo-terminal, which is instantaneous, as slow as a wire: a reply is complete no earlier than the
// bits of its query and its own allow. A message is handed over whole when its last bit would have arrived.
type pace struct {
	character time.Duration // 0: not paced
	in, out   time.Time     // when the last character on each wire has passed
}

func newPace(baud int) *pace {
	p := &pace{}
	if baud > 0 {
		p.character = time.Second * bitsPerCharacter / time.Duration(baud)
	}
	return p
}

// heard notes n characters whose sending began no later than now.
func (p *pace) heard(n int) {
	if p.character == 0 {
		return
	}
	now := time.Now()
	if p.in.Before(now) {
		p.in = now
	}
	p.in = p.in.Add(time.Duration(n) * p.character)
}

// say waits until n characters of reply have passed, after the query.
func (p *pace) say(n int) {
	if p.character == 0 {
		return
	}
	if p.out.Before(p.in) {
		p.out = p.in
	}
	if now := time.Now(); p.out.Before(now) { // the answer took longer than the query
		p.out = now
	}
	p.out = p.out.Add(time.Duration(n) * p.character)
	if rest := time.Until(p.out) - spin; rest > 0 {
		sleep(rest)
	}
	for time.Now().Before(p.out) {
	}
}
