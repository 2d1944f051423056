package scpi

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// slave is a supply of registers on an RTU line, written from the published examples of the frames alone. Its registers: 0 who it is, 16 volts
// in mV, 17 amperes in mA, 18 output, 24 current set-point in mA.
type slave struct {
	mu        sync.Mutex
	registers map[uint16]uint16
	deaf      bool // takes no writing to heart, though it acknowledges it
	// spoil changes an answer to a request before it is sent; nil: no fault.
	spoil func(request, answer []byte) (as []byte, after time.Duration)
	heard []string
}

// newSlave makes one by who it is and its current in mA.
func newSlave(who, milliamperes uint16) *slave {
	return &slave{registers: map[uint16]uint16{0: who, 16: 3900, 17: milliamperes, 18: 1, 24: 3000}}
}

func checksum(b []byte) []byte {
	sum := uint16(0xFFFF)
	for _, c := range b {
		sum ^= uint16(c)
		for range 8 {
			if sum&1 == 1 {
				sum = sum>>1 ^ 0xA001
			} else {
				sum >>= 1
			}
		}
	}
	return append(b, byte(sum), byte(sum>>8))
}

// drop is an RS-485 line with slaves by their units.
type drop map[byte]*slave

// serve answers until the line ends. Each slave takes its own time, as on a real line.
func (d drop) serve(c net.Conn) {
	requests := map[byte]chan []byte{}
	for unit, s := range d {
		requests[unit] = make(chan []byte, 100) // a line takes what is sent though nobody listens yet
		go s.serve(c, requests[unit])           // ends with the line
	}
	defer func() {
		for _, r := range requests {
			close(r)
		}
	}()
	for {
		q := make([]byte, 8)
		if _, err := io.ReadFull(c, q); err != nil {
			return
		}
		if r := requests[q[0]]; r != nil {
			r <- q
		}
	}
}

func (s *slave) serve(c net.Conn, requests <-chan []byte) {
	for q := range requests {
		s.mu.Lock()
		address, value := binary.BigEndian.Uint16(q[2:]), binary.BigEndian.Uint16(q[4:])
		answer := []byte{q[0], q[1]}
		_, known := s.registers[address]
		switch {
		case !known:
			answer[1] |= 0x80
			answer = append(answer, 2)
		case q[1] == 3:
			answer = append(answer, byte(2*value))
			for n := range value {
				answer = binary.BigEndian.AppendUint16(answer, s.registers[address+n])
			}
		case q[1] == 6:
			s.heard = append(s.heard, "write")
			if answer = append(answer, q[2:6]...); !s.deaf {
				s.registers[address] = value
				if address == 18 && value == 0 {
					s.registers[17] = 0
				}
			}
		}
		after := time.Duration(0)
		if answer = checksum(answer); s.spoil != nil {
			answer, after = s.spoil(q, answer)
		}
		s.mu.Unlock()
		<-time.After(2*time.Millisecond + after)
		if _, err := c.Write(answer); err != nil {
			return
		}
	}
}

func (s *slave) fault(f func(request, answer []byte) ([]byte, time.Duration)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.spoil = f
}

func mapped() Dialect {
	d := Modbus()
	d.Identify, d.Output = "holding 0", "holding 18"
	d.MeasureVolts, d.MeasureAmperes = "holding 16 uint16 0.001", "holding 17 int16 0.001"
	d.MeasureBoth = d.MeasureVolts + "; " + d.MeasureAmperes
	d.SetAmperes, d.LimitVolts = "holding 24 uint16 0.001", "holding 99"
	d.Off, d.SetCurrent = "holding 18 = 0", "holding 24 uint16 0.001 = {amperes}"
	return d
}

// onRegisters runs f with a supply of registers, in virtual time.
func onRegisters(t *testing.T, d Dialect, f func(t *testing.T, s *slave, c *Supply)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newSlave(4711, 3001)
		near, far := net.Pipe()
		go drop{1: s}.serve(far)
		settings := Settings{Dialect: d, RangeVolts: 32, RangeAmperes: 5}.withDefaults()
		in, err := meet(t.Context(), line.New(near, settings.Line), settings)
		if err != nil {
			t.Fatal(err)
		}
		c := newSupply(settings, &shared{in: in, users: 1, settings: settings}, drivers.NewClock(1))
		f(t, s, c)
		if err := c.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		far.Close()
		synctest.Wait()
	})
}

func good(t *testing.T, c *Supply) {
	t.Helper()
	for range 3 {
		if r, err := c.Poll(t.Context()); err != nil || r.Volts != 3.9 || math.Abs(float64(r.Amperes)-3.001) > 1e-9 {
			t.Errorf("%+v, %v", r, err)
		}
	}
}

func TestRegisters(t *testing.T) {
	onRegisters(t, mapped(), func(t *testing.T, s *slave, c *Supply) {
		good(t, c)
		if id, err := c.Identify(t.Context()); err != nil || id.Maker != "4711" {
			t.Errorf("%+v, %v", id, err)
		}
		st, err := c.Status(t.Context())
		if err != nil || st.Output != drivers.OutputOn || st.SetAmperes != 3 || !math.IsNaN(float64(st.LimitVolts)) {
			t.Errorf("%+v, %v; register 99 does not exist", st, err)
		}
		s.fault(nil) // and look at what it has under its lock
		if len(s.heard) > 0 {
			t.Error("something was written that nobody ordered")
		}
		if err := c.SetCurrent(t.Context(), 0.2509); err != nil || s.registers[24] != 250 {
			t.Errorf("%d mA are set, %v", s.registers[24], err)
		}
		if err := c.SetCurrent(t.Context(), 1); err == nil || s.registers[24] != 250 {
			t.Errorf("the set-point was raised to %d mA", s.registers[24])
		}
		if err := c.SwitchOff(t.Context()); err != nil {
			t.Error(err)
		}
		if st, err = c.Status(t.Context()); err != nil || st.Output != drivers.OutputOff || st.SetAmperes != 0.25 {
			t.Errorf("%+v, %v", st, err)
		}
		if r, err := c.Poll(t.Context()); err != nil || r.Amperes != 0 || r.Output != drivers.OutputOff {
			t.Errorf("%+v, %v", r, err)
		}
	})
}

// Every answer that is not the one to the question is refused, and the next is right again.
func TestRegistersFaults(t *testing.T) {
	for name, c := range map[string]struct {
		as   func(answer []byte) ([]byte, time.Duration)
		said string
	}{
		"a bit turned":         {func(a []byte) ([]byte, time.Duration) { a[4] ^= 8; return a, 0 }, "wrong checksum"},
		"another unit":         {func(a []byte) ([]byte, time.Duration) { a[0]++; return checksum(a[:len(a)-2]), 0 }, "of unit 2"},
		"an exception":         {func([]byte) ([]byte, time.Duration) { return checksum([]byte{1, 0x83, 6}), 0 }, "exception 6 device busy"},
		"half":                 {func(a []byte) ([]byte, time.Duration) { return a[:3], 0 }, ""},
		"none":                 {func([]byte) ([]byte, time.Duration) { return nil, 0 }, ""},
		"late":                 {func(a []byte) ([]byte, time.Duration) { return a, 1200 * time.Millisecond }, ""},
		"more behind it":       {func(a []byte) ([]byte, time.Duration) { return append(a, 0x55), 0 }, ""},
		"an earlier, shorter":  {func([]byte) ([]byte, time.Duration) { return checksum([]byte{1, 3, 2, 0, 5}), 0 }, "another length"},
		"no frame":             {func([]byte) ([]byte, time.Duration) { return []byte("EXAMPLE"), 0 }, "of function 88"},
		"of no current at all": {func([]byte) ([]byte, time.Duration) { return checksum([]byte{1, 3, 4, 0x0F, 0x3C, 0, 0}), 0 }, "was not confirmed"},
	} {
		t.Run(name, func(t *testing.T) {
			onRegisters(t, mapped(), func(t *testing.T, s *slave, supply *Supply) {
				good(t, supply)
				var noted []string
				supply.settings.Noted = func(r *drivers.Refusal) { noted = append(noted, r.Answer) }
				once, before := false, supply.refusals
				s.fault(func(q, a []byte) ([]byte, time.Duration) {
					if once || q[1] != 3 || q[3] != 16 {
						return a, 0
					}
					once = true
					return c.as(a)
				})
				_, err := supply.Poll(t.Context())
				s.fault(nil)
				var r *drivers.Refusal
				if errors.As(err, &r) {
					noted = append(noted, r.Answer)
				}
				if err != nil && r == nil || !once || !strings.Contains(strings.Join(noted, "\n"), c.said) {
					t.Errorf("%v, noted %q; want a refusal that says %q", err, noted, c.said)
				}
				good(t, supply)
				// A late answer comes into the search for the place, and is refused there too.
				if n := supply.refusals - before; n > 1 && name != "late" || n > 3 {
					t.Errorf("%d refusals came of one fault", n)
				}
			})
		})
	}
}

// An off that is refused, not acknowledged or not carried out is never taken for one.
func TestRegistersOff(t *testing.T) {
	for name, c := range map[string]struct {
		deaf  bool
		spoil func(a []byte) []byte
		fails bool // the command itself
	}{
		"refused":                    {true, func([]byte) []byte { return checksum([]byte{1, 0x86, 4}) }, true},
		"not acknowledged":           {true, func([]byte) []byte { return nil }, true},
		"another value":              {true, func([]byte) []byte { return checksum([]byte{1, 6, 0, 18, 0, 1}) }, true},
		"not carried out":            {true, func(a []byte) []byte { return a }, false},
		"carried out without a word": {false, func([]byte) []byte { return nil }, true},
	} {
		t.Run(name, func(t *testing.T) {
			onRegisters(t, mapped(), func(t *testing.T, s *slave, supply *Supply) {
				good(t, supply)
				s.deaf = c.deaf
				s.fault(func(q, a []byte) ([]byte, time.Duration) {
					if q[1] == 6 {
						return c.spoil(a), 0
					}
					return a, 0
				})
				if err := supply.SwitchOff(t.Context()); (err != nil) != c.fails || errors.Is(err, drivers.ErrGone) {
					t.Errorf("switching off: %v", err)
				}
				want := drivers.OutputOff
				if c.deaf {
					want = drivers.OutputOn
				}
				if st, err := supply.Status(t.Context()); err != nil || st.Output != want {
					t.Errorf("%+v, %v", st, err)
				}
			})
		})
	}
}

func TestRegistersInDialect(t *testing.T) {
	for key, c := range map[string]struct {
		change func(*Dialect)
		want   string
	}{
		"protocol":      {func(d *Dialect) { d.Protocol = "modbus" }, `"modbus-rtu" or "modbus-tcp"`},
		"unit":          {func(d *Dialect) { d.Unit = 0 }, "1 to 247"},
		"identify":      {func(d *Dialect) { d.Identify = "" }, "resync"},
		"measure_volts": {func(d *Dialect) { d.MeasureVolts = "MEAS:VOLT?" }, "holding 16"},
		"output":        {func(d *Dialect) { d.Output = "holding 18 = 0" }, "only a query may"},
		"off":           {func(d *Dialect) { d.Off = "holding 18" }, "holding 18 = 0"},
		"set_current":   {func(d *Dialect) { d.SetCurrent = "holding 24 = 0" }, "{amperes}"},
	} {
		d := mapped()
		if err := d.Check(); err != nil {
			t.Fatal(err)
		}
		c.change(&d)
		if err := d.Check(); err == nil || !strings.HasPrefix(err.Error(), key+": ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", key, err, c.want)
		}
	}
	for _, change := range []func(*Dialect){func(d *Dialect) { d.Echo = true }, func(d *Dialect) { d.Terminator = "\r\n" }, func(d *Dialect) { d.ReplyTerminator = "\r" }} {
		d := mapped()
		change(&d)
		if err := d.Check(); err == nil || !strings.Contains(err.Error(), "leave these out") {
			t.Error(err)
		}
	}
}
