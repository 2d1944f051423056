package linecharge

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"pgregory.net/rapid"
)

// wrong is what a bad line, or a bad supply, can do to one answer.
type wrong int

const (
	nothing    wrong = iota
	dropped          // a byte is lost
	flipped          // a bit is
	clipped          // the end is lost, terminator and all
	merged           // the terminator is lost, so that the next answer runs on
	swapped          // comes after the next answer
	late             // comes after the time-out
	slow             // comes in two halves
	echoed           // comes behind a copy of the query
	onlyEcho         // a copy of the query comes instead
	carriage         // ends in a carriage return alone
	blank            // comes behind an empty line
	noise            // comes behind bytes that nobody sent
	lost             // does not come at all
	twice            // comes twice
	baud             // every byte is another, as at a wrong line rate
	parity           // the eighth bit is set in some bytes
	notANumber       // the supply says that it has no number (SCPI-1999 volume 1, 7.2.1.5)
	infinite         // or that it is infinite (7.2.1.4)
	saturated        // the read-back stands at the end of its range
	frozen           // the answer is that of the last time
	hangUp           // the line breaks instead
	another          // the line breaks, and another instrument answers on the next connections
	kinds
)

var names = [...]string{"nothing", "dropped byte", "flipped bit", "clipped", "merged", "swapped", "late", "slow", "echoed", "only echo",
	"carriage return", "blank line", "noise", "lost", "twice", "wrong baud", "wrong parity", "not a number", "infinite", "saturated", "frozen",
	"hang-up", "another instrument"}

func (w wrong) String() string { return names[w] }

// fault is one wrong thing, with the place in the answer where it strikes.
type fault struct {
	what wrong
	at   int
	bit  uint
}

func (f fault) String() string { return fmt.Sprintf("%v@%d.%d", f.what, f.at, f.bit) }

// faults draws the fate of one answer.
func faults(among []wrong) *rapid.Generator[fault] {
	return rapid.Custom(func(t *rapid.T) fault {
		return fault{rapid.SampledFrom(among).Draw(t, "what"), rapid.IntRange(0, 40).Draw(t, "at"), rapid.UintRange(0, 7).Draw(t, "bit")}
	})
}

// piece is what goes onto the line, after a delay.
type piece struct {
	after  time.Duration
	bytes  string
	hangUp bool
}

// mangler spoils the answers of a supply by a list of faults, one each; when the
// list is at its end the line is good.
type mangler struct {
	mu     sync.Mutex
	faults []fault
	only   string            // when not empty, answers to other queries pass unharmed and use up no fault
	held   string            // swapped: waits for the next answer
	before map[string]string // the last answer to each query, for a frozen supply
	did    map[wrong]int
}

func newMangler(f []fault) *mangler {
	return &mangler{faults: f, before: map[string]string{}, did: map[wrong]int{}}
}

// left says how many faults are still to come.
func (m *mangler) left() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.faults)
}

// then appends faults.
func (m *mangler) then(f ...fault) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = append(m.faults, f...)
}

// stop leaves the line good from now on.
func (m *mangler) stop() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.faults = nil
}

// mangle returns what comes of an answer, and for how many connections another instrument answers from now on.
func (m *mangler) mangle(query, answer string) (out []piece, strangers int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var f fault
	if len(m.faults) > 0 && (m.only == "" || strings.Contains(query, m.only)) {
		f, m.faults = m.faults[0], m.faults[1:]
		m.did[f.what]++
	}
	stale, known := m.before[query]
	held := m.held
	m.held = ""
	defer func() {
		if held != "" {
			out = append(out, piece{bytes: held})
		}
	}()
	at := f.at % len(answer)
	numeric := strings.HasPrefix(query, "MEAS:")
	switch f.what {
	case frozen:
		if known {
			return say(stale), 0
		}
		return say(answer), 0
	case notANumber, infinite, saturated:
		if numeric {
			return say(instead(f.what, answer)), 0
		}
		return say(answer), 0
	case swapped:
		m.held = answer
		return nil, 0
	case hangUp:
		return []piece{{hangUp: true}}, 0
	case another:
		return []piece{{hangUp: true}}, 1 + int(f.bit)%3
	}
	m.before[query] = answer
	return damage(f, at, query, answer), 0
}

func say(s string) []piece { return []piece{{bytes: s}} }

// damage is what becomes of the bytes of one answer.
func damage(f fault, at int, query, answer string) []piece {
	switch f.what {
	case dropped:
		return say(answer[:at] + answer[at+1:])
	case flipped:
		return say(answer[:at] + string([]byte{answer[at] ^ 1<<f.bit}) + answer[at+1:])
	case clipped:
		return say(answer[:at])
	case merged:
		return say(strings.TrimSuffix(answer, "\n"))
	case late:
		return []piece{{after: timeout * 3 / 2, bytes: answer}}
	case slow:
		return []piece{{bytes: answer[:at]}, {after: timeout / 3, bytes: answer[at:]}}
	case echoed:
		return say(query + "\n" + answer)
	case onlyEcho:
		return say(query + "\n")
	case carriage:
		return say(strings.TrimSuffix(answer, "\n") + "\r")
	case blank:
		return say("\n" + answer)
	case noise:
		return say("\x00\xff~7" + answer)
	case lost:
		return nil
	case twice:
		return []piece{{bytes: answer}, {after: timeout / 8, bytes: answer}}
	case baud:
		garbled := []byte(answer)
		r := rand.New(rand.NewPCG(uint64(f.at), uint64(f.bit)))
		for i := range garbled {
			garbled[i] = byte(r.IntN(256))
		}
		return say(string(garbled))
	case parity:
		spoilt := []byte(answer)
		for i := at % 2; i < len(spoilt); i += 2 {
			spoilt[i] |= 0x80
		}
		return say(string(spoilt))
	}
	return say(answer)
}

// instead puts a special value in the place of the last number of an answer, the
// current where there are two.
func instead(what wrong, answer string) string {
	value := map[wrong]string{notANumber: "9.91E37", infinite: "9.9E37", saturated: "5.2500"}[what]
	head := ""
	if i := strings.LastIndex(answer, ";"); i >= 0 {
		head = answer[:i+1]
	}
	return head + value + "\n"
}
