//go:build unix

package scpi_test

import (
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// lineUse polls a simulated supply on a pseudo-terminal that is paced at a baud
// rate. It returns the time that the characters of the queries and answers take on
// such a wire, divided by the time that the polls took: of all polls together, and
// of the median poll, which other work on the machine disturbs less.
func lineUse(t testing.TB, baud int, separate bool, loop func() bool) (all, median float64) {
	t.Helper()
	clock := drivers.NewClock(1)
	instrument, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1, Baud: baud})
	if err != nil {
		t.Fatal(err)
	}
	port, err := simulated.Serve(t.Context(), instrument, "")
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	d := scpi.Standard()
	queries := len(d.MeasureBoth) + 1
	if separate {
		d.MeasureBoth = ""
		queries = len(d.MeasureVolts) + 1 + len(d.MeasureAmperes) + 1
	}
	supply, err := scpi.Open(t.Context(), scpi.Settings{
		Line: line.Settings{Address: port.Path(), Baud: baud}, Dialect: d,
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
	var each []float64
	for loop() {
		begin := time.Now()
		r, err := supply.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		d := time.Since(begin)
		characters := queries + length(float64(r.Volts)) + length(float64(r.Amperes))
		w := time.Duration(float64(characters) * 10 / float64(baud) * float64(time.Second))
		wire, took = wire+w, took+d
		each = append(each, float64(w)/float64(d))
	}
	slices.Sort(each)
	return float64(wire) / float64(took), each[len(each)/2]
}

// BenchmarkLineUse shows how much of the wire's own limit polls reach; what is
// lost to 1 is the time between an answer and the next query. Run it with
//
//	go test ./drivers/scpi -run '^$' -bench LineUse
func BenchmarkLineUse(b *testing.B) {
	for _, baud := range []int{9600, 115200} {
		for _, separate := range []bool{false, true} {
			how := map[bool]string{false: "together", true: "separately"}[separate]
			b.Run(fmt.Sprintf("%d/%s", baud, how), func(b *testing.B) {
				all, median := lineUse(b, baud, separate, b.Loop)
				b.ReportMetric(all, "of-wire")
				b.ReportMetric(median, "of-wire-median")
			})
		}
	}
}

// A poll costs no more than its exchanges: over a short run on a paced line some
// part of the wire's limit is reached, and never more than all of it. How much is
// BenchmarkLineUse's to say, for it depends on what else the machine does.
func TestLineUse(t *testing.T) {
	for _, separate := range []bool{false, true} {
		n := 0
		all, median := lineUse(t, 115200, separate, func() bool { n++; return n <= 50 })
		t.Logf("separate queries: %v; of the wire's limit: %.3f, median poll %.3f", separate, all, median)
		if all <= 0 || all > 1.001 || median > 1.001 {
			t.Errorf("polls reach %.3f of the wire's limit, the median one %.3f: the pacing is wrong", all, median)
		}
	}
}
