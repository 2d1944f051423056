package scpi

import (
	"bytes"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/recording"
	"nightcell/drivers/simulated"
)

// station is a simulated supply behind the kernel's driver for USB test-and-measurement devices, as that driver's source reads: one message a read, its own limit
// alone ends a read, an answer against the rules is 0 bytes. After a limit ran out, the supply is mute until it is cleared, as the worst are.
type station struct {
	t     *testing.T
	limit time.Duration
	in    *simulated.Instrument
	// spoil changes an answer before it is fetched; nil: no fault.
	spoil func(query, answer []byte) (as []byte, after time.Duration, err error)

	busy   sync.Mutex // the driver does one thing at a time
	answer []byte     // nil: none
	after  time.Duration
	err    error
	mute   bool
	asked  bool
	clears int
	heard  []string
}

func (s *station) one() func() {
	if !s.busy.TryLock() {
		s.t.Error("the driver is asked two things at a time")
		s.busy.Lock()
	}
	return s.busy.Unlock
}

func (s *station) Write(p []byte) (int, error) {
	defer s.one()()
	s.heard = append(s.heard, string(p))
	s.answer, s.err, s.after = s.in.Handle(p), nil, 0 // an answer that nobody fetched is lost (IEEE 488.2, INTERRUPTED)
	s.asked = bytes.Contains(p, []byte("?"))
	if s.spoil != nil && s.asked {
		s.answer, s.after, s.err = s.spoil(p, s.answer)
	}
	return len(p), nil
}

func (s *station) Read(p []byte) (int, error) {
	defer s.one()()
	if !s.asked {
		s.t.Errorf("read without having asked, after %q", s.heard[len(s.heard)-1:])
	}
	if s.mute || len(s.answer) == 0 && s.err == nil || s.after > s.limit {
		s.mute = true
		<-time.After(s.limit)
		return 0, unix.ETIMEDOUT
	}
	<-time.After(s.after)
	a, err := s.answer, s.err
	s.answer, s.asked = nil, false
	if errors.Is(err, errRules) {
		return 0, nil
	}
	return copy(p, a), err
}

func (s *station) Clear() error {
	defer s.one()()
	s.answer, s.mute, s.asked = nil, false, false
	s.clears++
	return nil
}

var errRules = errors.New("a message against the rules")

// overUSB runs f with a supply behind a station, in virtual time, while every byte is recorded.
func overUSB(t *testing.T, f func(t *testing.T, st *station, s *Supply)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		in, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(1), Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		settings := Settings{RangeVolts: 32, RangeAmperes: 5}.withDefaults()
		kept := filepath.Join(t.TempDir(), "kept")
		if settings.Line.Record, err = recording.Create(kept, func(err error) { t.Error(err) }); err != nil {
			t.Fatal(err)
		}
		st := &station{t: t, in: in, limit: time.Second}
		l := line.NewUSBTMC(st, settings.Line)
		i, err := meet(t.Context(), l, settings)
		if err != nil {
			t.Fatal(err)
		}
		s := newSupply(settings, &shared{in: i, users: 1, settings: settings}, drivers.NewClock(1))
		f(t, st, s)
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		settings.Line.Record.Close()
		if r, err := recording.Load(kept); err != nil || len(r.Events) < 4 {
			t.Errorf("recorded %+v, %v", r, err)
		}
	})
}

func TestUSB(t *testing.T) {
	overUSB(t, func(t *testing.T, st *station, s *Supply) {
		if st.clears != 1 {
			t.Errorf("cleared %d times at the beginning, want once: another program may have left an answer", st.clears)
		}
		for range 20 {
			if r, err := s.Poll(t.Context()); err != nil || math.Abs(float64(r.Amperes)-3) > 0.01 {
				t.Fatalf("%+v, %v", r, err)
			}
		}
		status, err := s.Status(t.Context())
		if err != nil || status.SetAmperes != 3 {
			t.Errorf("%+v, %v", status, err)
		}
		if err := s.SwitchOff(t.Context()); err != nil {
			t.Error(err)
		}
		if st.clears != 1 {
			t.Error("cleared after a command, which the supply may not have heard yet")
		}
		if status, err = s.Status(t.Context()); err != nil || status.Output != drivers.OutputOff {
			t.Errorf("after off: %+v, %v", status, err)
		}
		for _, m := range st.heard {
			if !strings.HasSuffix(m, "\n") || strings.Count(m, "\n") > 1 {
				t.Errorf("message %q is not one whole message", m)
			}
		}
	})
}

func TestUSBFaults(t *testing.T) {
	for name, c := range map[string]struct {
		as    func(answer []byte) ([]byte, time.Duration, error)
		why   drivers.Reason // of the refusal; "": the answer is as good as any
		said  string
		clear bool
	}{
		"no line end":            {func(a []byte) ([]byte, time.Duration, error) { return bytes.TrimSuffix(a, []byte("\n")), 0, nil }, "", "", false},
		"against the rules":      {func(a []byte) ([]byte, time.Duration, error) { return a, 0, errRules }, drivers.NoReply, "against the rules", true},
		"none":                   {func([]byte) ([]byte, time.Duration, error) { return nil, 0, nil }, drivers.NoReply, "", true},
		"later than the limit":   {func(a []byte) ([]byte, time.Duration, error) { return a, 5 * time.Second, nil }, drivers.NoReply, "", true},
		"just within the limit":  {func(a []byte) ([]byte, time.Duration, error) { return a, 900 * time.Millisecond, nil }, "", "", false},
		"empty":                  {func([]byte) ([]byte, time.Duration, error) { return []byte("\n"), 0, nil }, drivers.Blank, "", false},
		"two lines in a message": {func(a []byte) ([]byte, time.Duration, error) { return append([]byte("9;9\n"), a...), 0, nil }, drivers.Unasked, "", false},
	} {
		t.Run(name, func(t *testing.T) {
			overUSB(t, func(t *testing.T, st *station, s *Supply) {
				if _, err := s.Poll(t.Context()); err != nil {
					t.Fatal(err)
				}
				once, before := false, st.clears
				st.spoil = func(query, answer []byte) ([]byte, time.Duration, error) {
					if once || !bytes.Contains(query, []byte("MEAS")) {
						return answer, 0, nil
					}
					once = true
					return c.as(answer)
				}
				_, err := s.Poll(t.Context())
				var r *drivers.Refusal
				switch {
				case c.why == "" && err != nil:
					t.Errorf("refused: %v", err)
				case c.why != "" && (!errors.As(err, &r) || r.Reason != c.why || !strings.Contains(r.Answer, c.said)):
					t.Errorf("%v; want a refusal for %s that says %q", err, c.why, c.said)
				}
				for range 3 {
					if r, err := s.Poll(t.Context()); err != nil || math.Abs(float64(r.Amperes)-3) > 0.01 {
						t.Errorf("after it: %+v, %v", r, err)
					}
				}
				if !once || c.clear != (st.clears > before) {
					t.Errorf("fault met: %v, cleared %d times", once, st.clears-before)
				}
			})
		})
	}
}

// A device that is pulled out is gone, as any port is.
func TestUSBUnplugged(t *testing.T) {
	overUSB(t, func(t *testing.T, st *station, s *Supply) {
		st.spoil = func(_, a []byte) ([]byte, time.Duration, error) { return a, 0, unix.ENODEV }
		if _, err := s.Poll(t.Context()); !errors.Is(err, drivers.ErrGone) {
			t.Errorf("%v, want that the line is gone", err)
		}
	})
}

// A query that is given up early leaves the driver reading. What comes after it is not mixed up with the next, and closing waits for no longer than the driver.
func TestUSBGivenUp(t *testing.T) {
	overUSB(t, func(t *testing.T, st *station, s *Supply) {
		st.spoil = func(query, a []byte) ([]byte, time.Duration, error) {
			if bytes.Contains(query, []byte("VOLT:PROT")) {
				return []byte("1\n"), 700 * time.Millisecond, nil // longer than is waited for a query that never was answered
			}
			return a, 0, nil
		}
		if status, err := s.Status(t.Context()); err != nil || status.SetAmperes != 3 {
			t.Errorf("%+v, %v", status, err)
		}
		if _, err := s.Poll(t.Context()); err != nil {
			t.Error(err)
		}
		st.spoil = func([]byte, []byte) ([]byte, time.Duration, error) { return nil, 0, nil }
		if _, _, _, err := s.line.Exchange(t.Context(), []byte("MEAS:VOLT?"), nil, 10*time.Millisecond); err == nil {
			t.Error("an answer of nothing")
		}
		if err := s.line.Send(t.Context(), []byte("OUTP OFF")); err != nil || st.in.Truth(1).Output {
			t.Errorf("off while the driver still reads: %v", err)
		}
	})
}
