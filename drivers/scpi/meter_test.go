//go:build unix

package scpi

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/drivers"
)

// TestOnlyAsks: what a meter is sent has a question mark at the end of every header.
func TestOnlyAsks(t *testing.T) {
	for message, want := range map[string]bool{
		"MEAS:VOLT:DC?": true, "MEAS:VOLT:DC? 0.1,1E-6": true, "*IDN?;:READ?": true, "READ?": true, "FETC? (@2)": true,
		"CONF:VOLT": false, "CONF:VOLT;:READ?": false, "": false, "DISP:TEXT \"?\"": false, "READ?\nOUTP OFF": false, "*RST;": false, "OUTP:OFF\t?": false,
	} {
		if got := OnlyAsks(message); got != want {
			t.Errorf("%q: %v", message, got)
		}
	}
	s := Settings{Dialect: Standard()}
	if _, err := new(Rack).OpenMultimeter(t.Context(), s, MeterQueries{Current: "OUTP OFF"}, drivers.NewClock(1)); !errors.Is(err, errCommands) {
		t.Error(err)
	}
	s.Dialect.Identify = "*RST"
	if _, err := new(Rack).OpenMultimeter(t.Context(), s, MeterQueries{Current: "READ?"}, drivers.NewClock(1)); !errors.Is(err, errCommands) {
		t.Error(err)
	}
}

// TestMultimeterIsNeverShifted: whatever happens to its answers, current, volts and temperature come as they are or not at all, and
// nothing but queries reaches it, whatever its dialect has.
func TestMultimeterIsNeverShifted(t *testing.T) {
	queries := MeterQueries{Current: "MEAS:VOLT:DC? (@1)", Voltage: "MEAS:VOLT:DC? (@2)", Temperature: "MEAS:TEMP?", Shunt: true}
	for name, mangle := range map[string]func(query, answer string) []piece{
		"sound": func(_, answer string) []piece { return []piece{{bytes: answer}} },
		"late":  func(_, answer string) []piece { return []piece{{after: 350 * time.Millisecond, bytes: answer}} },
		"lost":  func(string, string) []piece { return nil },
		"cut":   func(_, answer string) []piece { return []piece{{bytes: answer[:3] + "\n"}} },
		"garbled": func(_, answer string) []piece {
			return []piece{{bytes: strings.Replace(answer, "3", "\xf3", 1)}}
		},
		"another number": func(_, answer string) []piece { return []piece{{bytes: "8" + answer}} },
		"doubled":        func(_, answer string) []piece { return []piece{{bytes: answer + answer}} },
		"no number":      func(string, string) []piece { return []piece{{bytes: "9.91E37\n"}} },
		"overload":       func(string, string) []piece { return []piece{{bytes: "9.9E37\n"}} },
	} {
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			for query, answer := range map[string]string{queries.Current: "+3.00120E-02", queries.Voltage: "+3.41550E+00", queries.Temperature: "31.30"} {
				p.set(query, answer)
			}
			s := settings(t, p.onTCP(t), quick())
			if name != "sound" {
				s.Dialect.Timeout = Wait(250 * time.Millisecond)
			}
			s.Dialect.Remote, s.Dialect.Local = "SYST:REM", "SYST:LOC"
			m, err := new(Rack).OpenMultimeter(t.Context(), s, queries, drivers.NewClock(1))
			if err != nil {
				t.Fatal(err)
			}
			n, next, gap, bad, good := 0, 4, 7, 0, 0
			p.mangling(func(query, answer string) []piece {
				if query != "*IDN?" {
					n++
				}
				if query != "*IDN?" && n >= next { // at growing distances, lest every poll with its repeats meets one
					gap++
					next = n + gap
					return mangle(query, answer)
				}
				return []piece{{bytes: answer}}
			})
			for range 12 {
				got, err := m.Poll(t.Context())
				var refused *drivers.Refusal
				switch {
				case errors.As(err, &refused):
					bad++
				case err != nil:
					t.Fatal(err)
				case got.Current != 0.030012 || got.Volts != 3.4155 || got.Temperature != 31.3:
					t.Errorf("%+v", got)
				default:
					good++
				}
			}
			if good == 0 || name == "sound" && bad > 0 {
				t.Errorf("%d readings, %d refusals", good, bad)
			}
			if err := m.Close(); err != nil {
				t.Error(err)
			}
			for _, message := range p.heard() {
				if message != "" && !OnlyAsks(message) {
					t.Errorf("%q was sent to a meter", message)
				}
			}
		})
	}
}

// TestMultimeterFollows: a true jump is measured twice and believed, a noisy zero is no trouble, and what is not asked is not a number.
func TestMultimeterFollows(t *testing.T) {
	p := newPeer()
	p.set("READ?", "3.00")
	s := settings(t, p.onTCP(t), quick())
	m, err := new(Rack).OpenMultimeter(t.Context(), s, MeterQueries{Current: "READ?"}, drivers.NewClock(1))
	if err != nil {
		t.Fatal(err)
	}
	for _, answer := range []string{"3.00", "3.01", "0.20", "0.0001", "-0.0004", "0.0007", "2.9"} {
		p.set("READ?", answer)
		got, err := m.Poll(t.Context())
		if want, _ := parseNumber([]byte(answer), ""); err != nil || got.Current != want || !math.IsNaN(got.Volts) || !math.IsNaN(got.Temperature) || got.At < 0 {
			t.Errorf("%s: %+v, %v", answer, got, err)
		}
	}
	asked := p.heard()
	if twice := count(asked, "READ?"); twice != 7+1+3 { // the first, and each true jump
		t.Errorf("asked %d times: %q", twice, asked)
	}
	if err := m.Close(); err != nil {
		t.Error(err)
	}
}
