//go:build unix

package scpi

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// strangeness is a behaviour of a supply, and what comes of it. The supply gives 3.214 V and 3.001 A all the time, so that every other
// reading is a wrong one; none may come, whatever the supply does.
type strangeness struct {
	behaviour string
	set       func(p *peer, d *Dialect)
	// does is "reads"; "reads later" where some polls are refused; else words of the refusal, or of the error of the opening.
	does  string
	apart string // likewise, where the queries come in messages of their own; empty: the same
}

// answering changes the answers to the queries that begin with a text.
func answering(begins string, change func(n int, answer string) []piece) func(p *peer, d *Dialect) {
	return func(p *peer, _ *Dialect) {
		n := 0
		p.mangle = func(query, answer string) []piece {
			if answer == "\n" || !strings.Contains(query, begins) {
				return []piece{{0, answer}}
			}
			n++
			return change(n, answer)
		}
	}
}

func whole(change func(string) string) func(int, string) []piece {
	return func(_ int, answer string) []piece { return []piece{{0, change(answer)}} }
}

func with(changes ...func(p *peer, d *Dialect)) func(p *peer, d *Dialect) {
	return func(p *peer, d *Dialect) {
		for _, change := range changes {
			change(p, d)
		}
	}
}

func apart(_ *peer, d *Dialect) { d.MeasureBoth = "" }

func says(query, answer string) func(p *peer, d *Dialect) {
	return func(p *peer, _ *Dialect) { p.answers[query] = answer }
}

func knowsNot(queries ...string) func(p *peer, d *Dialect) {
	return func(p *peer, _ *Dialect) {
		for _, q := range queries {
			delete(p.answers, q)
		}
	}
}

func once(n int, at int, strange, usual []piece) []piece {
	if n == at {
		return strange
	}
	return usual
}

var strangenesses = []strangeness{
	{"ends its lines with carriage return and line feed", answering("", whole(func(a string) string { return strings.TrimSuffix(a, "\n") + "\r\n" })), "reads", ""},
	{"ends its lines with line feed and carriage return", answering("", whole(func(a string) string { return a + "\r" })), "reads", ""},
	{"ends its lines with a carriage return alone", answering("", whole(func(a string) string { return strings.TrimSuffix(a, "\n") + "\r" })), `set reply_terminator = "\r"`, ""},
	{"ends its lines with a null byte before the line feed", answering("", whole(func(a string) string { return strings.TrimSuffix(a, "\n") + "\x00\n" })), "not-numeric", ""},
	{"puts a blank line before each answer", answering("", whole(func(a string) string { return "\n" + a })), "blank", ""},
	{"echoes each query before its answer", func(p *peer, _ *Dialect) {
		p.mangle = func(query, answer string) []piece {
			if answer == "\n" {
				return []piece{{0, query + "\n"}}
			}
			return []piece{{0, query + "\n" + answer}}
		}
	}, "unasked", ""},
	{"puts spaces around each figure", answering("MEAS", whole(func(a string) string {
		return "  " + strings.ReplaceAll(strings.TrimSuffix(a, "\n"), ";", " ; ") + " \n"
	})), "reads", ""},
	{"glues the unit to each figure", with(says("MEAS:VOLT?", "3.2140V"), says("MEAS:CURR?", "3.0010A")), "not-numeric", ""},
	{"puts the unit behind a space", with(says("MEAS:VOLT?", "3.2140 V"), says("MEAS:CURR?", "3.0010 A")), "not-numeric", ""},
	{"gives amperes in milliamperes with the unit", says("MEAS:CURR?", "3001.0 mA"), "not-numeric", ""},
	{"gives the figures in scientific form", with(says("MEAS:VOLT?", "3.214E+0"), says("MEAS:CURR?", "+3.001E+00")), "reads", ""},
	{"gives the figures with a small e", says("MEAS:CURR?", "3.001e0"), "reads", ""},
	{"gives the figures with leading zeros and a sign", with(says("MEAS:VOLT?", "+003.2140"), says("MEAS:CURR?", "+003.0010")), "reads", ""},
	{"gives the figures with a decimal comma", with(says("MEAS:VOLT?", "3,2140"), says("MEAS:CURR?", "3,0010")), "not-numeric", ""},
	{"gives fewer digits", with(says("MEAS:VOLT?", "3.214"), says("MEAS:CURR?", "3.001")), "reads", ""},
	{"says not a number", says("MEAS:CURR?", "9.91E37"), "not-a-number", ""},
	{"says infinity", says("MEAS:CURR?", "9.9E37"), "overflow", ""},
	{"says NAN in letters", says("MEAS:CURR?", "NAN"), "not-a-number", ""},
	{"gives more current than its range", says("MEAS:CURR?", "33.001"), "beyond-current", ""},
	{"gives the figures in hexadecimal", says("MEAS:CURR?", "#H3"), "not-numeric", ""},
	{"puts quotes around the figures", with(says("MEAS:VOLT?", `"3.2140"`), says("MEAS:CURR?", `"3.0010"`)), "not-numeric", ""},
	{"answers the second of two queries in a message alone", answering("MEAS:VOLT?;", whole(func(a string) string { _, b, _ := strings.Cut(a, ";"); return b })), "reads", ""},
	{"answers two queries in a message with a comma between", answering("MEAS:VOLT?;", whole(func(a string) string { return strings.ReplaceAll(a, ";", ",") })), "reads", ""},
	{"answers two queries in a message on two lines", answering("MEAS:VOLT?;", whole(func(a string) string { return strings.ReplaceAll(a, ";", "\n") })), "reads", ""},
	{"knows no message of two queries", answering("MEAS:VOLT?;", func(int, string) []piece { return nil }), "reads", ""},
	{"knows no error queue", with(knowsNot("OUTP?"), func(p *peer, _ *Dialect) { p.silent["SYST:ERR?"] = true }), "reads", ""},
	{"does not tell whether its output is on", knowsNot("OUTP?"), "reads", ""},
	{"does not tell its mode", knowsNot("STAT:QUES:COND?"), "reads", ""},
	{"does not tell its protection levels", knowsNot("VOLT:PROT?", "CURR:PROT?", "VOLT:PROT:TRIP?", "CURR:PROT:TRIP?"), "reads", ""},
	{"tells set-points in words", with(says("VOLT?", "MAX"), says("CURR?", "DEF")), "reads", ""},
	{"is silent for a second now and then", answering("MEAS", func(n int, a string) []piece {
		return once(n, 2, []piece{{1200 * time.Millisecond, a}}, []piece{{0, a}})
	}), "reads later", ""},
	{"answers one query after the time-out", answering("MEAS", func(n int, a string) []piece {
		return once(n, 2, []piece{{3 * time.Second, a}}, []piece{{0, a}})
	}), "reads later", ""},
	{"loses every third answer", answering("MEAS", func(n int, a string) []piece {
		return once(n%3, 0, nil, []piece{{0, a}})
	}), "reads later", "no-reply"},
	{"answers twice now and then", answering("MEAS", func(n int, a string) []piece {
		return once(n, 2, []piece{{0, a}, {3 * time.Millisecond, a}}, []piece{{0, a}})
	}), "reads", ""},
	{"sends half an answer, and the rest later", answering("MEAS", func(_ int, a string) []piece { return []piece{{0, a[:3]}, {150 * time.Millisecond, a[3:]}} }), "reads", ""},
	{"sends byte by byte", answering("MEAS", func(_ int, a string) (all []piece) {
		for _, b := range []byte(a) {
			all = append(all, piece{10 * time.Millisecond, string([]byte{b})})
		}
		return all
	}), "reads", ""},
	{"sends a banner when it is greeted", answering("*IDN?", whole(func(a string) string { return "READY\n" + a })), "unasked", ""},
	{"speaks unasked between polls", answering("MEAS", func(n int, a string) []piece {
		return once(n, 2, []piece{{0, a}, {100 * time.Millisecond, "HELLO\n"}}, []piece{{0, a}})
	}), "reads later", "reads"},
	{"calls itself by one word", says("*IDN?", "SUPPLY"), "reads", ""},
	{"calls itself by escape characters", says("*IDN?", "\x1b[31mEXAMPLE,PS,1,1"), "reads", ""},
	{"does not say who it is", knowsNot("*IDN?"), "check that the supply is on", ""},
	{"says who it is with an empty line", says("*IDN?", " "), "reads", ""},
	{"answers every query with its name", func(p *peer, _ *Dialect) {
		for q := range p.answers {
			p.answers[q] = peerIdentity
		}
	}, "not-numeric", ""},
	{"answers every query with an error in words", func(p *peer, _ *Dialect) {
		for q := range p.answers {
			if q != "*IDN?" {
				p.answers[q] = "ERROR 5"
			}
		}
	}, "not-numeric", ""},
	{"reports an error that was never made", func(p *peer, _ *Dialect) {
		p.each = func() { p.queue = append(p.queue[:0], `-350,"Queue overflow"`) }
	}, "reads", ""},
	{"sends kilobytes of rubbish", answering("MEAS", whole(func(string) string { return strings.Repeat("x", 70000) + "\n" })), "no-reply", ""},
	{"sends bytes above 127", answering("MEAS", whole(func(a string) string { return "\xb5" + a })), "not-numeric", ""},
	{"ends its lines with a carriage return, and the dialect says so", with(answering("", whole(func(a string) string { return strings.TrimSuffix(a, "\n") + "\r" })),
		func(_ *peer, d *Dialect) { d.ReplyTerminator = "\r" }), "reads", ""},
	{"ends its answers with silence, and the dialect says so", with(answering("", whole(func(a string) string { return strings.TrimSuffix(a, "\n") })),
		func(_ *peer, d *Dialect) { d.ReplySilence = Wait(50 * time.Millisecond) }), "reads", ""},
	{"echoes each query, and the dialect says so", with(func(p *peer, _ *Dialect) {
		p.mangle = func(query, answer string) []piece {
			return []piece{{0, query + "\n" + strings.TrimPrefix(answer, "\n")}}
		}
	}, func(_ *peer, d *Dialect) { d.Echo = true }), "reads", ""},
	{"glues the unit to each figure, and the dialect says so", with(says("MEAS:VOLT?", "3.2140V"), says("MEAS:CURR?", "3.0010A"),
		func(_ *peer, d *Dialect) { d.VoltsUnit, d.AmperesUnit = "V", "A" }), "reads", ""},
	{"loses the unit of one figure, where the dialect has units", with(says("MEAS:VOLT?", "3.2140V"), says("MEAS:CURR?", "3.0010"),
		func(_ *peer, d *Dialect) { d.VoltsUnit, d.AmperesUnit = "V", "A" }), "not-numeric", ""},
	{"sends the volts with the unit of amperes", with(says("MEAS:VOLT?", "3.2140A"), says("MEAS:CURR?", "3.0010A"),
		func(_ *peer, d *Dialect) { d.VoltsUnit, d.AmperesUnit = "V", "A" }), "not-numeric", ""},
	{"heads each figure with its query, and the dialect says so", with(says("MEAS:VOLT?", "VOLT 3.2140"), says("MEAS:CURR?", "CURR 3.0010"), says("VOLT?", "VOLT 6.000"), says("CURR?", "CURR 3.000"),
		func(_ *peer, d *Dialect) { d.Headers = true }), "reads", ""},
	{"heads the volts with the word for amperes", with(says("MEAS:VOLT?", "CURR 3.2140"), says("MEAS:CURR?", "CURR 3.0010"),
		func(_ *peer, d *Dialect) { d.Headers = true }), "unasked", ""},
	{"needs a rest between messages, and the dialect says so", func(_ *peer, d *Dialect) { d.Pause = Wait(60 * time.Millisecond) }, "reads", ""},
	{"restarts when its port is opened, and the dialect says so", with(answering("*IDN?", func(n int, a string) []piece { return []piece{{400 * time.Millisecond, a}} }),
		func(_ *peer, d *Dialect) { d.OpenPause = Wait(2 * time.Second) }), "reads", ""},
}

// TestStrangenesses holds each behaviour against what comes of it.
func TestStrangenesses(t *testing.T) {
	if len(strangenesses) < 40 {
		t.Errorf("%d behaviours", len(strangenesses))
	}
	for _, s := range strangenesses {
		for _, separate := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, queries apart %v", s.behaviour, separate), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					p, d := newPeer(), Standard()
					s.set(p, &d)
					if separate {
						apart(p, &d)
					}
					want := s.does
					if separate && s.apart != "" {
						want = s.apart
					}
					if got := outcome(t, p, d); got != want && (strings.HasPrefix(want, "reads") || !strings.Contains(got, want)) {
						t.Errorf("comes to %q, want %q", got, want)
					}
				})
			})
		}
	}
}

// outcome polls ten times and says what came of it in a word.
func outcome(t *testing.T, p *peer, d Dialect) string {
	w := newWire(p)
	c, err := supplyOn(t, w, Settings{Dialect: d, StatusEvery: 3, RangeVolts: 32, RangeAmperes: 5})
	if err != nil {
		return err.Error()
	}
	defer func() {
		_ = c.Close()
		w.end()
		for _, message := range p.heard() { // an empty one ends what was half heard
			for _, unit := range strings.FieldsFunc(message, func(r rune) bool { return r == ';' }) {
				if !strings.Contains(unit, "?") {
					t.Errorf("watching alone has sent %q", message)
				}
			}
		}
	}()
	const polls = 10
	good, last := 0, ""
	for range polls {
		r, err := c.Poll(context.Background())
		if err != nil {
			last = err.Error()
		} else if good++; r.Volts != 3.214 || r.Amperes != 3.001 {
			t.Errorf("a wrong reading: %+v", r)
		}
		<-time.After(time.Second)
	}
	switch {
	case good == polls:
		return "reads"
	case good > polls/2:
		return "reads later"
	}
	return last
}
