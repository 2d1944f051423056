package scpi

import (
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers/line"
)

// TestInquiryModbus: where no identity comes, a unit of Modbus is found by reading alone, with its address and the settings of its line.
func TestInquiryModbus(t *testing.T) {
	for name, c := range map[string]struct {
		address string
		is      line.Settings // of the unit
		wanted  int
		spoil   func(q, a []byte) ([]byte, time.Duration)
		want    string // what is found, or said
	}{
		"as most are sold":     {"stranger", line.Settings{Baud: 9600, Parity: "none", Unit: 1}, 0, nil, "unit 1, 9600 baud, 8 data bits, parity none"},
		"even, another rate":   {"stranger", line.Settings{Baud: 38400, Parity: "even", Unit: 1}, 0, nil, "unit 1, 38400 baud, 8 data bits, parity even"},
		"another unit":         {"stranger", line.Settings{Baud: 19200, Parity: "even", Unit: 32}, 0, nil, "unit 32, 19200 baud, 8 data bits, parity even"},
		"far beyond, but told": {"stranger", line.Settings{Baud: 4800, Parity: "odd", Unit: 247}, 247, nil, "unit 247, 4800 baud, 8 data bits, parity odd"},
		"refuses the register": {"stranger", line.Settings{Baud: 9600, Parity: "none", Unit: 1}, 0,
			func(q, _ []byte) ([]byte, time.Duration) { return checksum([]byte{q[0], q[1] | 0x80, 2}), 0 }, "unit 1, 9600 baud, 8 data bits, parity none"},
		"RTU over a socket": {"tcp://192.0.2.7:4001", line.Settings{Unit: 3}, 0, nil, "unit 3"},
		"answers once": {"stranger", line.Settings{Baud: 9600, Parity: "none", Unit: 1}, 0, func() func(_, a []byte) ([]byte, time.Duration) {
			times := 0
			return func(_, a []byte) ([]byte, time.Duration) {
				if times++; times > 1 {
					return nil, 0
				}
				return a, 0
			}
		}(), "nothing answers *IDN?"},
		"wrong checksums": {"stranger", line.Settings{Baud: 9600, Parity: "none", Unit: 1}, 0, func(_, a []byte) ([]byte, time.Duration) { a[4] ^= 1; return a, 0 }, "nothing answers *IDN?"},
		"a gateway alone": {"tcp://192.0.2.7:4001", line.Settings{Unit: 1}, 0,
			func(q, _ []byte) ([]byte, time.Duration) { return checksum([]byte{q[0], q[1] | 0x80, 11}), 0 }, "no unit of Modbus from 1 to 32"},
		"too far": {"stranger", line.Settings{Baud: 9600, Parity: "none", Unit: 33}, 0, nil, "no unit of Modbus from 1 to 32"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newSlave(4711, 3001)
				s.spoil = c.spoil
				var all sync.WaitGroup
				open := func(_ context.Context, set line.Settings) (*line.Line, error) {
					near, far := net.Pipe()
					all.Go(func() { // ends with the line
						defer far.Close()
						units := drop{byte(c.is.Unit): s}
						if set.Modbus != "rtu" || c.is.Baud != 0 && (set.Baud != c.is.Baud || set.Parity != c.is.Parity) {
							units = nil // it hears no whole frame
						}
						units.serve(far)
					})
					return line.New(near, set), nil
				}
				begun := time.Now()
				f, err := Inquire(t.Context(), Inquiry{Line: line.Settings{Address: c.address, Unit: c.wanted}, Open: open})
				all.Wait()
				got := ""
				switch {
				case err != nil:
					got = err.Error()
				case f.Dialect.Protocol != ModbusRTU:
					t.Errorf("%+v", f.Dialect)
				default:
					for _, c := range f.Conclusions {
						got += c.Found + ", "
					}
				}
				if !strings.Contains(got, c.want) || strings.Contains(got, "\n") {
					t.Errorf("%s, want %s", got, c.want)
				}
				if took := time.Since(begun); took > 2*time.Minute || c.wanted > 0 && took > 15*time.Second {
					t.Errorf("it took %v", took)
				}
				if s.fault(nil); len(s.heard) > 0 {
					t.Error("something was written")
				}
			})
		})
	}
}
