//go:build unix

package scpi_test

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/daemon/housetest"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// lineUse is what polls make of a wire.
type lineUse struct {
	all    float64 // time of the characters on the wire ÷ time of all polls
	median float64 // the same of the median poll, which other work on the machine disturbs less
	bare   float64 // median time of the same exchanges by bare system calls ÷ median time of a poll
}

// measureLineUse polls a simulated supply on a pseudo-terminal that is paced at a baud rate.
func measureLineUse(t testing.TB, baud int, separate bool, loop func() bool) (use lineUse) {
	t.Helper()
	clock := drivers.NewClock(1)
	port := paced(t, baud)
	d := scpi.Standard()
	queries := []string{d.MeasureBoth + "\n"}
	if separate {
		queries = []string{d.MeasureVolts + "\n", d.MeasureAmperes + "\n"}
		d.MeasureBoth = ""
	}
	bare := bareExchanges(t, port, queries, 40)
	supply, err := new(scpi.Rack).Open(t.Context(), scpi.Settings{
		Line: line.Settings{Address: port, Baud: baud}, Dialect: d,
		RangeVolts: 32, RangeAmperes: 5, StatusEvery: -1,
	}, clock)
	if err != nil {
		t.Fatal(err)
	}
	defer supply.Close()
	if _, err := supply.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	length := func(x float64) int { return len(strconv.FormatFloat(x, 'f', 4, 64)) + 1 } // with ";" or line feed
	var wire, took time.Duration
	var each []time.Duration
	for loop() {
		begin := time.Now()
		r, err := supply.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		d := time.Since(begin)
		characters := len(strings.Join(queries, "")) + length(float64(r.Volts)) + length(float64(r.Amperes))
		wire += time.Duration(float64(characters) * 10 / float64(baud) * float64(time.Second))
		took += d
		each = append(each, d)
	}
	m := median(each)
	return lineUse{
		all:    float64(wire) / float64(took),
		median: float64(wire) / float64(len(each)) / float64(m),
		bare:   float64(bare) / float64(m),
	}
}

// bitsPerCharacter is a start bit, eight data bits and a stop bit.
const bitsPerCharacter = 10

// pace makes a pseudo-terminal, which is instantaneous, as slow as a wire: a reply is complete no earlier than the
// bits of its query and its own allow. A message is handed over whole when its last bit would have arrived.
type pace struct {
	character time.Duration
	in, out   time.Time // when the last character on each wire has passed
}

// heard notes n characters whose sending began no later than now.
func (p *pace) heard(n int) {
	now := time.Now()
	if p.in.Before(now) {
		p.in = now
	}
	p.in = p.in.Add(time.Duration(n) * p.character)
}

// say waits until n characters of reply have passed, after the query.
func (p *pace) say(n int) {
	if p.out.Before(p.in) {
		p.out = p.in
	}
	if now := time.Now(); p.out.Before(now) { // the answer took longer than the query
		p.out = now
	}
	p.out = p.out.Add(time.Duration(n) * p.character)
	<-time.After(time.Until(p.out))
}

// paced serves a simulated supply on a pseudo-terminal at a baud rate, and returns the port's name.
func paced(t testing.TB, baud int) string {
	t.Helper()
	instrument, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(1), Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	master, slave := housetest.RawTerminal(t)
	go func() { // ends when the test closes the port
		p := &pace{character: time.Second * bitsPerCharacter / time.Duration(baud)}
		var heard []byte
		for b := make([]byte, 256); ; {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			p.heard(n)
			heard = append(heard, b[:n]...)
			for end := bytes.IndexByte(heard, '\n') + 1; end > 0; end = bytes.IndexByte(heard, '\n') + 1 {
				reply := instrument.Handle(heard[:end])
				heard = heard[end:]
				if p.say(len(reply)); len(reply) > 0 {
					if _, err := master.Write(reply); err != nil {
						return
					}
				}
			}
		}
	}()
	return slave.Name()
}

// bareExchanges returns the median time of the queries' exchanges by write and read
// alone: what the pseudo-terminal and the scheduler take is in it, and nothing of ours.
func bareExchanges(t testing.TB, path string, queries []string, n int) time.Duration {
	t.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	b := make([]byte, 256)
	each := make([]time.Duration, n)
	for i := range each {
		begin := time.Now()
		for _, q := range queries {
			if _, err := unix.Write(fd, []byte(q)); err != nil {
				t.Fatal(err)
			}
			for got := 0; got == 0 || b[got-1] != '\n'; {
				n, err := unix.Read(fd, b[got:])
				if err != nil {
					t.Fatal(err)
				}
				got += n
			}
		}
		each[i] = time.Since(begin)
	}
	return median(each)
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

// BenchmarkLineUse shows how much of the wire's own limit polls reach; what is
// lost to 1 is the time between an answer and the next query, the passage through
// the pseudo-terminal and the scheduler among it. of-bare shows what of that is ours. Run it with
//
//	go test ./drivers/scpi -run '^$' -bench LineUse
func BenchmarkLineUse(b *testing.B) {
	for _, baud := range []int{9600, 115200} {
		for _, separate := range []bool{false, true} {
			how := map[bool]string{false: "together", true: "separately"}[separate]
			b.Run(fmt.Sprintf("%d/%s", baud, how), func(b *testing.B) {
				use := measureLineUse(b, baud, separate, b.Loop)
				b.ReportMetric(use.all, "of-wire")
				b.ReportMetric(use.median, "of-wire-median")
				b.ReportMetric(use.bare, "of-bare")
			})
		}
	}
}

// Over a short run on a paced line some part of the wire's limit is reached, and
// never more than all of it. How much is BenchmarkLineUse's to say, for it depends on what
// else the machine does.
func TestLineUse(t *testing.T) {
	for _, separate := range []bool{false, true} {
		n := 0
		use := measureLineUse(t, 115200, separate, func() bool { n++; return n <= 50 })
		t.Logf("separate queries: %v; of the wire's limit: %.3f, median poll %.3f, of bare exchanges %.3f", separate, use.all, use.median, use.bare)
		if use.all <= 0 || use.all > 1.001 || use.median > 1.001 {
			t.Errorf("polls reach %.3f of the wire's limit, the median one %.3f: the pacing is wrong", use.all, use.median)
		}
	}
}
