package runlog

import (
	"bytes"
	"hash/crc32"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/drivers"
	"nightcell/integrate"
)

// TestCRC: RFC 3720, B.4, CRC-32C test vectors; and the usual check value of
// "123456789" (from memory).
func TestCRC(t *testing.T) {
	up, down := make([]byte, 32), make([]byte, 32)
	for i := range 32 {
		up[i], down[31-i] = byte(i), byte(i)
	}
	read := make([]byte, 48) // an iSCSI read command
	for i, b := range map[int]byte{0: 0x01, 1: 0xc0, 16: 0x14, 22: 0x04, 27: 0x14, 31: 0x18, 32: 0x28, 40: 0x02} {
		read[i] = b
	}
	for _, v := range []struct {
		name string
		data []byte
		want uint32
	}{
		{"zeros", make([]byte, 32), 0x8a9136aa},
		{"ones", bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43},
		{"up", up, 0x46dd794e},
		{"down", down, 0x113fdb5c},
		{"read command", read, 0xd9963a56},
		{"digits", []byte("123456789"), 0xe3069283},
	} {
		if got := crc32.Checksum(v.data, castagnoli); got != v.want {
			t.Errorf("%s: %08x, want %08x", v.name, got, v.want)
		}
	}
}

// TestReadingLine is what tools that read the log rely on.
func TestReadingLine(t *testing.T) {
	head, err := readingHead("zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	got := string(appendReading(nil, head, 1764055000000000000, 5*time.Second, 3.214, 3.001, "constant-current", "on", drivers.Shown{}))
	want := `reading,cell=zinc-1 step=5000000000i,volts=3.214,amperes=3.001,mode="constant-current",output="on" 1764055000000000000` + "\n"
	if got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	got = string(appendReading(nil, head, 1764055000000000000, 5*time.Second, 3.155, 3.001, "constant-current", "on", drivers.Shown{AtCell: true, Metered: true, Volts: 3.214, Amperes: 3.06}))
	want = `reading,cell=zinc-1 step=5000000000i,volts=3.155,amperes=3.001,supply_volts=3.214,supply_amperes=3.06,mode="constant-current",output="on" 1764055000000000000` + "\n"
	if got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	got = string(appendReading(nil, head, 1764055000000000000, 5*time.Second, 3.155, 3.001, "unknown", "unknown", drivers.Shown{Metered: true, Silent: true, Amperes: 3.06}))
	want = `reading,cell=zinc-1 step=5000000000i,volts=3.155,amperes=3.001,supply_amperes=3.06,supply_silent=true,volts_held=true,mode="unknown",output="unknown" 1764055000000000000` + "\n"
	if got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
}

// FuzzReading: a reading comes back the same by the quick way, by the whole
// grammar, and from the line-protocol library alone.
func FuzzReading(f *testing.F) {
	f.Add("zinc-1", int64(1e9), 3.214, 3.001, "constant-current", "on", int64(1764055000000000000))
	f.Add(`a b,c=d\e`, int64(0), -1e-300, 5e-324, `q"\`, "", int64(-1))
	f.Add("Zn", int64(math.MaxInt64), math.MaxFloat64, 123456789012345678.0, "\n", "\x00", int64(math.MaxInt64))
	f.Add("Zn", int64(1), 9007199254740993.0, 1e22, "", "", int64(0))
	f.Add("Zn", int64(1), 3.2, 3.0, "\xbdonstant-current", "o\xffn", int64(1))
	f.Fuzz(func(t *testing.T, cell string, step int64, volts, amperes float64, mode, output string, nanos int64) {
		head, err := readingHead(cell)
		if err != nil || !finite(volts) || !finite(amperes) || step < 0 {
			t.Skip("no reading that the log takes")
		}
		supply := drivers.Shown{} // beside a second meter now and then
		if supply.AtCell = nanos%2 != 0; supply.AtCell {
			supply.Volts = drivers.Volts(-volts)
		}
		if supply.Metered = nanos%3 == 0; supply.Metered {
			supply.Amperes = drivers.Amperes(amperes / 3)
			if supply.Silent = nanos%5 == 0; supply.Silent {
				supply.Volts = 0 // not told
			}
		}
		line := appendReading(nil, head, nanos, time.Duration(step), volts, amperes, mode, output, supply)
		if n := bytes.IndexByte(line, '\n'); n != len(line)-1 {
			t.Fatalf("a line feed at %d of %q", n, line)
		}
		line = line[:len(line)-1]
		var d decoder
		var whole, quick Record
		err = d.decode(line, &whole)
		mode, output = drivers.Plain(mode), drivers.Plain(output) // broken UTF-8 and control characters do not come back
		if err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if whole.Step != time.Duration(step) || whole.Volts != volts || whole.Amperes != amperes || whole.Mode != mode || whole.Output != output || whole.Nanos != nanos || whole.Cell != cell || whole.Supply != supply {
			t.Fatalf("%q\ngives %+v", line, whole)
		}
		if d.head != nil && d.reading(line, &quick) {
			quick.Fields, whole.Fields = nil, nil
			if quick.Volts != whole.Volts || quick.Amperes != whole.Amperes || quick.Step != whole.Step || quick.Mode != whole.Mode || quick.Output != whole.Output || quick.Nanos != whole.Nanos || quick.Cell != whole.Cell || quick.Supply != whole.Supply {
				t.Fatalf("%q\nquick %+v\nwhole %+v", line, quick, whole)
			}
		}
	})
}

// FuzzLine: what the quick way takes, the whole grammar takes, to the same end; and no line panics.
func FuzzLine(f *testing.F) {
	head, err := readingHead("zinc-1")
	if err != nil {
		f.Fatal(err)
	}
	line := appendReading(nil, head, 1764055000000000000, time.Second, 3.214, 3.001, "constant-current", "on", drivers.Shown{})
	f.Add(line[:len(line)-1])
	for _, s := range []string{
		`reading,cell=zinc-1 step=1i,volts=1e5,amperes=-0.0,mode="",output="" 1`,
		`reading,cell=zinc-1 step=01i,volts=1.,amperes=.5,mode="",output="" -1`,
		`reading,cell=zinc-1 step=1i,volts=NaN,amperes=0x1p3,mode="",output="" 1`,
		`reading,cell=zinc-1 step=9223372036854775808i,volts=1,amperes=1,mode="",output="" 1`,
		`reading,cell=zinc-1 step=1i,volts=1.00000000000000000000001,amperes=12345678901234567890,mode="",output="" 1`,
		"reading,cell=zinc-1 step=1i,volts=1,amperes=1,mode=\"\xbdonstant-current\",output=\"on\" 1",
		`entry,cell=zinc-1 kind="x",n=1i,b=t,f=1.5,u=7u 1`, `# comment`, ``, ` `, `checkpoint,cell=z crc=1i 1`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		if bytes.IndexByte(line, '\n') >= 0 {
			t.Skip("one line at a time")
		}
		d := decoder{head: head, cell: "zinc-1"}
		var quick, whole Record
		taken := d.reading(line, &quick)
		var g decoder
		err := g.general(line, &whole)
		if taken && (err != nil || quick.Volts != whole.Volts || quick.Amperes != whole.Amperes || quick.Step != whole.Step ||
			quick.Mode != whole.Mode || quick.Output != whole.Output || quick.Nanos != whole.Nanos) {
			t.Fatalf("%q\nquick %+v\nwhole %+v, %v", line, quick, whole, err)
		}
	})
}

// FuzzEvent: every other line comes back, apart from control characters and numbers that are not finite.
func FuzzEvent(f *testing.F) {
	f.Add("over-current", "3.4 A", "note", 3.4, int64(7), true)
	f.Add(`a\`, `"\",= `, "é\n\t\x7f", math.Inf(1), int64(math.MinInt64), false)
	f.Add("", `{"a":"b\\nc\"d"}`, `\`, math.NaN(), int64(-1), true)
	f.Fuzz(func(t *testing.T, condition, text, other string, number float64, integer int64, flag bool) {
		line, err := appendLine(nil, KindAlarm, "zinc-1", condition, 42, []Field{
			Text("text", text), Text("other", other), Number("number", number), Integer("integer", integer), Flag("flag", flag),
		}, false)
		if err != nil {
			if strings.HasSuffix(condition, `\`) {
				return // line protocol cannot hold it
			}
			t.Fatal(err)
		}
		if bytes.IndexByte(line, '\n') != len(line)-1 {
			t.Fatalf("more than one line: %q", line)
		}
		var d decoder
		var r Record
		if err := d.decode(line[:len(line)-1], &r); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if r.Condition != drivers.Plain(condition) || r.Text("text") != drivers.Plain(text) || r.Text("other") != drivers.Plain(other) || r.Flag("flag") != flag || r.Nanos != 42 {
			t.Fatalf("%q\ngives %+v", line, r)
		}
		if n, ok := r.Integer("integer"); !ok || n != integer {
			t.Fatalf("integer %d came back as %d", integer, n)
		}
		if x, ok := r.Number("number"); ok != finite(number) || ok && x != number {
			t.Fatalf("number %v came back as %v, %v", number, x, ok)
		}
	})
}

// FuzzLog (fuzz it with -fuzzminimizetime 5x, its inputs are long): any bytes as a log, read whole and by the tail: no panic, and nothing that is called sound without reason.
func FuzzLog(f *testing.F) {
	m := newMemFS()
	l := newLive(f, Options{FS: m, Sync: time.Hour, CheckpointEvery: 10 * time.Second})
	w, err := Create("/data", "zinc-1", begin, nil, l.o)
	if err != nil {
		f.Fatal(err)
	}
	l.begin(w)
	l.spell(30)
	if err := l.w.Close(); err != nil {
		f.Fatal(err)
	}
	_, data := m.log(f)
	f.Add(data)
	f.Add(data[300:])
	f.Add(bytes.ReplaceAll(data, []byte("reading"), []byte("\n")))
	f.Fuzz(func(t *testing.T, data []byte) {
		report, err := replayAll(newReader(readFile(data), 16<<10), nil)
		if err != nil {
			t.Fatal(err)
		}
		if report.Bytes+report.TornBytes != int64(len(data)) {
			t.Fatalf("%d and %d bytes of %d", report.Bytes, report.TornBytes, len(data))
		}
		if math.IsNaN(report.Totals.Charge) || math.IsInf(report.Totals.Charge, 0) {
			t.Fatalf("%+v", report.Totals)
		}
		tail, err := readTail(readFile(data), false)
		if err != nil {
			t.Fatal(err)
		}
		if tail.end > tail.size || tail.size != int64(len(data)) {
			t.Fatalf("%+v", tail)
		}
	})
}

// TestLibraryReadsTheWholeLog: the log is line protocol to a decoder that knows nothing of us.
func TestLibraryReadsTheWholeLog(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 200, true)
	d := lineprotocol.NewDecoderWithBytes(data)
	points := 0
	var last time.Time
	for d.Next() {
		if _, err := d.Measurement(); err != nil {
			t.Fatal(err)
		}
		for key, val, err := d.NextTag(); key != nil || err != nil; key, val, err = d.NextTag() {
			if err != nil || string(key) == "cell" && string(val) != "zinc-1" {
				t.Fatal(err, string(val))
			}
		}
		for key, _, err := d.NextField(); key != nil || err != nil; key, _, err = d.NextField() {
			if err != nil {
				t.Fatal(err)
			}
		}
		at, err := d.Time(lineprotocol.Nanosecond, time.Time{})
		if err != nil || !at.After(last) {
			t.Fatalf("%v: %v does not follow %v", err, at, last)
		}
		last = at
		points++
	}
	if lines := bytes.Count(data, []byte("\n")); points != lines || d.Err() != nil {
		t.Errorf("%d points in %d lines, %v", points, lines, d.Err())
	}
	if !l.utc.Before(last.Add(time.Minute)) {
		t.Errorf("the last point is at %v, the clock at %v", last, l.utc)
	}
}

// TestTimeStampsIncrease although the wall clock goes back an hour, or stands still.
func TestTimeStampsIncrease(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	for i := range 100 {
		if i == 50 {
			l.utc = l.utc.Add(-time.Hour)
		}
		l.poll(time.Second, untouched)
	}
	l.must(l.w.Close())
	r, err := open(m, l.w.Run())
	if err != nil {
		t.Fatal(err)
	}
	var rec Record
	last := int64(math.MinInt64)
	for r.Next(&rec) == nil {
		if rec.Nanos <= last {
			t.Fatalf("%d after %d", rec.Nanos, last)
		}
		last = rec.Nanos
	}
	l.sameAs(replay(t, m, l.w.Run()))
}

// TestCheckpointKeepsWhoseAGapIs: a coulometer that has bridged more gaps by a meter than are kept one by one, and some by the supply, comes back out of its
// checkpoint with the same uncertainties; a checkpoint of before does not say whose they are, and agrees all the same.
func TestCheckpointKeepsWhoseAGapIs(t *testing.T) {
	c := integrate.NewCoulometer(integrate.Settings{GainRelative: 0.02, Meter: integrate.MeterSettings{GainRelative: 0.001}})
	for n := range 200 {
		e := untouched
		e.Restarted = n%2 == 1
		if _, err := c.Add(integrate.Sample{At: time.Duration(n) * 10 * time.Second, Volts: 4, Amperes: 3, Metered: n < 150}, e); err != nil {
			t.Fatal(err)
		}
	}
	fields := stateFields(c, 0, 0, &Record{}, false)
	again, err := restore(&Record{Fields: fields})
	if err != nil || again.Totals() != c.Totals() || !sameCoulometer(c, again) {
		t.Errorf("%+v, %v\nwant %+v", again.Totals(), err, c.Totals())
	}
	before, err := restore(&Record{Fields: slices.DeleteFunc(fields, func(f Field) bool { return strings.HasPrefix(f.Key, meterGaps) })})
	if err != nil || before.Totals().Budget.Gain <= c.Totals().Budget.Gain || !sameCoulometer(c, before) {
		t.Errorf("%+v, %v", before.Totals(), err)
	}
}
