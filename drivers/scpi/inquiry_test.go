//go:build unix

package scpi_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// stranger is a supply at the far end of a line that the test knows and the inquiry does not.
type stranger struct {
	rate, bits int
	parity     string
	end        string // of a message; "" is none: each write is one
	latency    time.Duration
	rest       time.Duration
	answer     func(message string) string // with its end; "" is none
	babble     string                      // comes by itself, all the time

	mu    sync.Mutex
	asked []string
	heard []byte // not yet ended, whoever sent it
	ended time.Time
	done  sync.WaitGroup
}

// open is a line to it with any settings.
func (s *stranger) open(_ context.Context, set line.Settings) (*line.Line, error) {
	near, far := net.Pipe()
	s.done.Add(1)
	go func() { // ends when the line is closed
		defer s.done.Done()
		defer far.Close()
		b := make([]byte, 1024)
		if s.babble != "" {
			go func() { _, _ = io.Copy(io.Discard, far) }()
			for _, err := io.WriteString(far, s.babble); err == nil; _, err = io.WriteString(far, s.babble) {
				<-time.After(50 * time.Millisecond)
			}
			return
		}
		for {
			n, err := far.Read(b)
			if err != nil {
				return
			}
			for _, out := range s.hear(set, b[:n]) {
				<-time.After(s.latency)
				s.mu.Lock()
				s.ended = time.Now()
				s.mu.Unlock()
				if _, err := io.WriteString(far, out); err != nil {
					return
				}
			}
		}
	}()
	return line.New(near, set), nil
}

// hear takes bytes that were sent with some settings.
func (s *stranger) hear(set line.Settings, b []byte) (out []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.rate != 0 && (set.Baud != s.rate || set.DataBits != s.bits || set.Parity != s.parity) {
		b = bytes.Repeat([]byte{'~'}, len(b)) // none of them is an end
	}
	s.heard = append(s.heard, b...)
	for {
		at := bytes.Index(s.heard, []byte(s.end))
		if len(s.heard) == 0 || at < 0 {
			return out
		}
		message := string(s.heard[:at])
		if s.end == "" {
			message, at = string(s.heard), len(s.heard)
		}
		s.heard = s.heard[at+len(s.end):]
		if time.Since(s.ended) < s.rest {
			continue
		}
		if s.end != "" {
			message = strings.Trim(message, "\r\n")
		}
		if message != "" {
			s.asked = append(s.asked, message)
		}
		if a := s.answer(message); a != "" {
			out = append(out, a)
		}
	}
}

// standard is the simulated supply.
func standard(t *testing.T) func(string) string {
	begun := time.Now()
	i, err := simulated.New(simulated.Setup{Now: func() time.Duration { return time.Since(begun) }, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return func(message string) string { return string(i.Handle([]byte(message + "\n"))) }
}

// manner is how a supply speaks that keeps less to the standard.
type manner func(message string, answer func(string) string) string

// ending ends answers with something else.
func ending(end string) manner {
	return func(m string, answer func(string) string) string { return strings.ReplaceAll(answer(m), "\n", end) }
}

func lowerCase(m string, answer func(string) string) string {
	if m != strings.ToLower(m) {
		return ""
	}
	return answer(m)
}

func oneQuery(m string, answer func(string) string) string {
	first, _, _ := strings.Cut(m, ";")
	return answer(first)
}

func noSystem(m string, answer func(string) string) string {
	if strings.HasPrefix(m, "SYST") {
		return ""
	}
	return answer(m)
}

func inMilliamperes(m string, answer func(string) string) string {
	return dressed(m, answer(m), func(x float64, current bool) string {
		if current {
			return fmt.Sprintf("%.0f", x*1000)
		}
		return fmt.Sprintf("%.4f", x)
	})
}

func withUnits(m string, answer func(string) string) string {
	return dressed(m, answer(m), func(x float64, current bool) string {
		return fmt.Sprintf("%.4f%s", x, map[bool]string{true: "A", false: "V"}[current])
	})
}

func milliampereUnits(m string, answer func(string) string) string {
	return dressed(m, answer(m), func(x float64, current bool) string {
		if current {
			return fmt.Sprintf("%.0fmA", x*1000)
		}
		return fmt.Sprintf("%.4fV", x)
	})
}

// dressed writes every measured or set level of an answer anew.
func dressed(message, answer string, write func(x float64, current bool) string) string {
	parts, asked := strings.Split(strings.TrimSuffix(answer, "\n"), ";"), strings.Split(message, ";")
	for i, p := range parts {
		if x, err := strconv.ParseFloat(p, 64); err == nil && strings.Contains(p, ".") {
			parts[i] = write(x, strings.Contains(asked[i], "CURR"))
		}
	}
	return strings.Join(parts, ";") + answer[len(strings.TrimSuffix(answer, "\n")):]
}

// table answers what it has, and nothing else.
func table(end string, answers map[string]string) func(string) string {
	return func(message string) string {
		if a, ok := answers[message]; ok {
			return a + end
		}
		return ""
	}
}

func with(more map[string]string) map[string]string {
	all := map[string]string{"*IDN?": "EXAMPLE,PS-30-5,0001,1.0", "MEAS:VOLT?": "3.214", "MEAS:CURR?": "2.998", "VOLT?": "6.000", "CURR?": "3.000", "OUTP?": "1"}
	for k, v := range more {
		if all[k] = v; v == "" {
			delete(all, k)
		}
	}
	return all
}

// TestInquiry is the table of strangenesses: what each supply does unlike the others, and what is concluded of it, in virtual time and by queries alone.
func TestInquiry(t *testing.T) {
	type expect func(t *testing.T, f *scpi.Finding)
	key := func(get func(f *scpi.Finding) any, want any) expect {
		return func(t *testing.T, f *scpi.Finding) {
			t.Helper()
			if got := get(f); got != want {
				t.Errorf("found %#v, want %#v; %+v", got, want, f.Conclusions)
			}
		}
	}
	rate := func(n int) expect { return key(func(f *scpi.Finding) any { return f.Line.Baud }, n) }
	parity := func(p string) expect { return key(func(f *scpi.Finding) any { return f.Line.Parity }, p) }
	terminator := func(s string) expect { return key(func(f *scpi.Finding) any { return f.Dialect.Terminator }, s) }
	for name, c := range map[string]struct {
		manner  []manner // the last speaks first
		answer  func(string) string
		change  func(*stranger)
		within  time.Duration
		expects []expect
	}{
		"to the standard": {within: 10 * time.Second, expects: []expect{rate(9600), terminator(""),
			key(func(f *scpi.Finding) any { return f.Dialect.Pause }, scpi.Wait(0)), key(func(f *scpi.Finding) any { return f.Channels }, 2),
			key(func(f *scpi.Finding) any { return f.Amperes.Step }, 1e-4), key(func(f *scpi.Finding) any { return f.Volts.Step }, 1e-3),
			key(func(f *scpi.Finding) any { return f.Amperes.Most }, 5.1), key(func(f *scpi.Finding) any { return f.Mode }, drivers.ConstantCurrent)}},
		"60 ms, CRLF, glued units, no error queue": {manner: []manner{withUnits, ending("\r\n"), noSystem}, within: 100 * time.Second,
			change: func(s *stranger) {
				s.end, s.latency, s.rest, s.rate = "\r\n", 60*time.Millisecond, 60*time.Millisecond, 19200
			},
			expects: []expect{rate(19200), terminator("\r\n"), key(func(f *scpi.Finding) any { return f.Dialect.Pause }, scpi.Wait(150*time.Millisecond)), key(func(f *scpi.Finding) any { return f.Dialect.VoltsUnit + f.Dialect.AmperesUnit + f.Dialect.Errors }, "VA")}},
		"the slowest rate":           {change: func(s *stranger) { s.rate = 1200 }, expects: []expect{rate(1200)}},
		"seven bits, even parity":    {change: func(s *stranger) { s.rate, s.bits, s.parity = 4800, 7, "even" }, expects: []expect{rate(4800), parity("even")}},
		"eight bits, odd parity":     {change: func(s *stranger) { s.bits, s.parity = 8, "odd" }, expects: []expect{parity("odd")}},
		"a carriage return ends all": {manner: []manner{ending("\r")}, change: func(s *stranger) { s.end = "\r" }, expects: []expect{terminator("\r"), key(func(f *scpi.Finding) any { return f.Dialect.ReplyTerminator }, "\r")}},
		"nothing ends anything": {answer: table("", with(nil)), change: func(s *stranger) { s.end = "" },
			expects: []expect{terminator("none"), key(func(f *scpi.Finding) any { return f.Dialect.ReplySilence > 0 }, true)}},
		"answers without an end":     {answer: table("", with(nil)), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.ReplySilence > 0 }, true)}},
		"an answer takes 1.5 s":      {change: func(s *stranger) { s.latency = 1500 * time.Millisecond }, within: 10 * time.Minute, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Timeout >= scpi.Wait(4*time.Second) }, true)}},
		"lower case alone":           {manner: []manner{lowerCase}, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Identify + f.Dialect.MeasureVolts + f.Dialect.Off }, "*idn?meas:volt?outp off")}},
		"milliamperes with unit":     {manner: []manner{milliampereUnits}, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.AmperesUnit }, "mA"), key(func(f *scpi.Finding) any { return f.Dialect.Milliamperes }, true)}},
		"milliamperes, as none says": {manner: []manner{inMilliamperes}, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Milliamperes }, true), key(func(f *scpi.Finding) any { return f.Scale }, false)}},
		"milliamperes, by the set-point": {answer: table("\n", with(map[string]string{"MEAS:CURR?": "298", "CURR?": "3000"})),
			expects: []expect{key(func(f *scpi.Finding) any {
				return f.Dialect.Milliamperes && f.Amperes.Set == 3 && f.Amperes.Last == 0.298
			}, true), key(func(f *scpi.Finding) any { return f.Dialect.CurrentDecimals }, 0)}},
		"whole amperes or milliamperes": {answer: table("\n", with(map[string]string{"MEAS:CURR?": "298", "CURR?": "300"})),
			expects: []expect{key(func(f *scpi.Finding) any { return f.Scale }, true), key(func(f *scpi.Finding) any { return f.Amperes.Step }, 1.0)}},
		"one query a message": {manner: []manner{oneQuery}, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.MeasureBoth }, "")}},
		"two in one message, two lines": {answer: table("\n", with(map[string]string{"MEAS:VOLT?;:MEAS:CURR?": "3.214\n2.998", "MEAS:VOLT?;MEAS:CURR?": "3.214\n2.998"})),
			expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.MeasureBoth }, "")}},
		"a comma between the two":               {answer: table("\n", with(map[string]string{"MEAS:VOLT?;:MEAS:CURR?": "3.214,2.998"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.BothSeparator }, ",")}},
		"amperes before volts":                  {answer: table("\n", with(map[string]string{"MEAS:VOLT?;:MEAS:CURR?": "2.998;3.214"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.BothAmperesFirst }, true)}},
		"two in one message, of something else": {answer: table("\n", with(map[string]string{"MEAS:VOLT?;:MEAS:CURR?": "30;5"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.MeasureBoth }, "")}},
		"whole amperes, told by the set-point":  {answer: table("\n", with(map[string]string{"MEAS:CURR?": "3", "CURR?": "3.00"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Scale }, false)}},
		"a highest current that is none":        {answer: table("\n", with(map[string]string{"CURR? MAX": "0.000", "VOLT? MAX": "5.999"})), expects: []expect{key(func(f *scpi.Finding) any { return math.IsNaN(f.Amperes.Most) && math.IsNaN(f.Volts.Most) }, true)}},
		"long forms alone": {answer: table("\n", map[string]string{"*IDN?": "EXAMPLE,PS-30-5,0001,1.0", "MEASURE:VOLTAGE?": "3.214", "MEASURE:CURRENT?": "2.998", "VOLTAGE?": "6.0", "OUTPUT?": "ON"}),
			expects: []expect{key(func(f *scpi.Finding) any {
				return f.Dialect.MeasureVolts + f.Dialect.SetVolts + f.Dialect.Output + f.Dialect.SetAmperes
			}, "MEASURE:VOLTAGE?VOLTAGE?OUTPUT?")}},
		"fetched, not measured":  {answer: table("\n", with(map[string]string{"MEAS:VOLT?": "", "MEAS:CURR?": "", "FETC:VOLT?": "3.2", "FETC:CURR?": "2.9"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.MeasureAmperes }, "FETC:CURR?")}},
		"the output is not told": {answer: table("\n", with(map[string]string{"OUTP?": ""})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Output + f.Dialect.Off }, "")}},
		"no set-points":          {answer: table("\n", with(map[string]string{"VOLT?": "", "CURR?": ""})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.SetAmperes + f.Dialect.SetCurrent }, "")}},
		"a register that lies":   {answer: table("\n", with(map[string]string{"STAT:QUES:COND?": "2"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Mode }, "")}},
		"a register that tells":  {answer: table("\n", with(map[string]string{"STAT:QUES:COND?": "1"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Mode }, "STAT:QUES:COND?")}},
		"headers": {answer: table("\n", map[string]string{"*IDN?": "EXAMPLE,PS-30-5,0001,1.0", "MEAS:VOLT?": "VOLT 3.214", "MEAS:CURR?": "CURR 2.998", "CURR?": "CURR 3.000", "OUTP?": "OUTP ON"}),
			expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Output }, "OUTP?"), key(func(f *scpi.Finding) any { return f.Dialect.Headers }, true)}},
		"ignores what stands behind a query": {answer: func(m string) string {
			first, _, _ := strings.Cut(m, "? ")
			return table("\n", with(nil))(strings.TrimSuffix(first, "?") + "?")
		}, expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Addressing }, ""), key(func(f *scpi.Finding) any { return math.IsNaN(f.Amperes.Most) || f.Amperes.Most >= 3 }, true)}},
		"a channel's number in the header": {answer: table("\n", with(map[string]string{"MEAS1:VOLT?": "3.214", "MEAS2:VOLT?": "0.001", "MEAS1:CURR?": "2.998", "OUTP1?": "1", "SOUR1:CURR?": "3.000", "VOLT?": ""})),
			expects: []expect{key(func(f *scpi.Finding) any {
				return f.Dialect.MeasureAmperes + f.Dialect.Output + f.Dialect.SetAmperes + f.Dialect.SetVolts + f.Dialect.Off + f.Dialect.SetCurrent
			}, "MEAS{n}:CURR?OUTP{n}?SOUR{n}:CURR?OUTP{n} OFFSOUR{n}:CURR"), key(func(f *scpi.Finding) any { return f.Channels }, 2)}},
		"channels by selection": {answer: table("\n", with(map[string]string{"INST:NSEL?": "1", "INST:NSEL? MAX": "3"})),
			expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Addressing }, "select"), key(func(f *scpi.Finding) any { return f.Channels }, 3)}},
		"one channel that can be selected": {answer: table("\n", with(map[string]string{"INST:NSEL?": "1", "INST:NSEL? MAX": "1"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Addressing }, "")}},
		"everything comes back": {answer: func(m string) string { return m + "\r\n" + standardTable(m) }, change: func(s *stranger) { s.end = "\r\n" },
			expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.Echo }, true)}},
		"an infinite protection level": {answer: table("\n", with(map[string]string{"VOLT:PROT?": "9.9E37"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.LimitVolts }, "VOLT:PROT?")}},
		"three digits":                 {answer: table("\n", with(map[string]string{"MEAS:CURR?": "3.00E+00", "CURR?": "3"})), expects: []expect{key(func(f *scpi.Finding) any { return f.Dialect.CurrentDecimals }, 0)}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &stranger{rate: 9600, bits: 8, parity: "none", end: "\n", latency: 2 * time.Millisecond, answer: c.answer}
				if s.answer == nil {
					s.answer = standard(t)
					for _, m := range c.manner {
						speaks := s.answer
						s.answer = func(message string) string { return m(message, speaks) }
					}
				}
				if c.change != nil {
					c.change(s)
				}
				begun := time.Now()
				f, err := scpi.Inquire(t.Context(), scpi.Inquiry{Line: line.Settings{Address: "stranger"}, Open: s.open})
				s.done.Wait()
				if err != nil {
					t.Fatal(err)
				}
				if took := time.Since(begun); c.within > 0 && took > c.within {
					t.Errorf("it took %v", took)
				}
				for _, e := range c.expects {
					e(t, f)
				}
				if err := f.Dialect.Check(); err != nil {
					t.Error(err)
				}
				for _, m := range s.asked {
					for _, part := range strings.Split(m, ";") {
						if !strings.Contains(part, "?") && strings.TrimSpace(part) != "" && !strings.Contains(part, "~") {
							t.Errorf("%q is no query", m)
						}
					}
				}
			})
		})
	}
}

func standardTable(m string) string { return table("\r\n", with(nil))(m) }

// TestInquiryInVain: what is no supply is told in one sentence that says what to do.
func TestInquiryInVain(t *testing.T) {
	noise := func(m string) string { return "\x80\xfe\x00\x1c\x80" }
	for name, c := range map[string]struct {
		s    *stranger
		want string
	}{
		"silent":             {&stranger{answer: table("\n", nil)}, "nothing answers *IDN? on stranger"},
		"a printer":          {&stranger{answer: noise}, "another kind of device such as a printer"},
		"talks by itself":    {&stranger{babble: "$TIME,201502\r\n"}, "talks without being asked"},
		"a looped cable":     {&stranger{answer: func(m string) string { return m + "\r\n" }, end: "\r\n"}, "the cable joins both wires"},
		"never twice alike":  {&stranger{answer: func(m string) string { return fmt.Sprintf("COUNTER %d\n", time.Now().UnixNano()) }}, "answered once"},
		"no query for volts": {&stranger{answer: table("\n", map[string]string{"*IDN?": "EXAMPLE,LOAD-1,0001,1.0"})}, "answers no query for volts"},
		"loses queries":      {&stranger{rest: 20 * time.Second, answer: table("\n", with(nil))}, "answered once"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := c.s
				if s.end == "" {
					s.end = "\n"
				}
				begun := time.Now()
				_, err := scpi.Inquire(t.Context(), scpi.Inquiry{Line: line.Settings{Address: "stranger"}, Open: s.open})
				s.done.Wait()
				if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
					t.Errorf("%v", err)
				}
				if took := time.Since(begun); took > 3*time.Minute {
					t.Errorf("it took %v", took)
				}
			})
		})
	}
}

// TestInquiryStops: whoever asked may go at any time, and what opening says comes through.
func TestInquiryStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &stranger{answer: table("\n", nil), end: "\n"}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := scpi.Inquire(ctx, scpi.Inquiry{Line: line.Settings{Address: "stranger"}, Open: s.open})
		s.done.Wait()
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	})
	held := &line.HeldError{Path: "stranger"}
	_, err := scpi.Inquire(t.Context(), scpi.Inquiry{Open: func(context.Context, line.Settings) (*line.Line, error) { return nil, held }})
	if !errors.Is(err, held) {
		t.Error(err)
	}
}
