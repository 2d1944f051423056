package runlog

import (
	"os"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/integrate"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
)

// longLog writes a log of n readings at 1 Hz, with a checkpoint a minute, and returns its run.
func longLog(b testing.TB, n int) string {
	b.Helper()
	l := startLive(b, b.TempDir(), Options{Sync: time.Hour, CheckpointEvery: time.Hour, BacklogBytes: 1 << 30})
	for i := range n {
		l.poll(time.Second, integrate.Evidence{})
		if i%60 == 59 {
			l.checkpoint()
		}
	}
	l.checkpoint()
	if err := l.w.Close(); err != nil {
		b.Fatal(err)
	}
	return l.w.Run()
}

// BenchmarkReplay measures readings per second through parser, checksum and
// coulometer, and beside it a plain decode of the same lines by the line-protocol library.
func BenchmarkReplay(b *testing.B) {
	const n = 300_000
	run := longLog(b, n)
	var replaying, decoding time.Duration
	for b.Loop() {
		began := time.Now()
		report, err := ReplayFile(run)
		if err != nil || report.Readings != n || !report.Sound() {
			b.Fatal(err, report)
		}
		replaying += time.Since(began)

		began = time.Now()
		decodeAll(b, run)
		decoding += time.Since(began)
	}
	perRun := float64(n) * float64(b.N)
	b.ReportMetric(perRun/replaying.Seconds()/1e6, "Mreadings/s")
	b.ReportMetric(perRun/decoding.Seconds()/1e6, "Mdecodes/s")
	b.ReportMetric(decoding.Seconds()/replaying.Seconds(), "times-plain-decode")
}

func decodeAll(b *testing.B, run string) {
	f, err := os.Open(run + "/" + LogName)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	d := lineprotocol.NewDecoder(f)
	for d.Next() {
		if _, err := d.Measurement(); err != nil {
			b.Fatal(err)
		}
		for {
			key, _, err := d.NextTag()
			if err != nil {
				b.Fatal(err)
			}
			if key == nil {
				break
			}
		}
		for {
			key, _, err := d.NextField()
			if err != nil {
				b.Fatal(err)
			}
			if key == nil {
				break
			}
		}
		if _, err := d.Time(lineprotocol.Nanosecond, time.Time{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkReading measures the log line of one reading with its write(2), without fsync.
func BenchmarkReading(b *testing.B) {
	w, err := Create(b.TempDir(), "zinc-1", begin, nil, Options{Sync: time.Hour, BacklogBytes: 1 << 20})
	if err != nil {
		b.Fatal(err)
	}
	utc := begin
	b.ReportAllocs()
	for b.Loop() {
		utc = utc.Add(time.Second)
		if err := w.Reading(utc, time.Second, 3.214, 3.001, "constant-current", "on", drivers.Shown{}); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkReadingEncode measures the encoding alone.
func BenchmarkReadingEncode(b *testing.B) {
	head, err := readingHead("zinc-1")
	if err != nil {
		b.Fatal(err)
	}
	buf := make([]byte, 0, 256)
	b.ReportAllocs()
	for b.Loop() {
		buf = appendReading(buf[:0], head, 1764055000000000000, time.Second, 3.214, 3.001, "constant-current", "on", drivers.Shown{})
	}
}

// BenchmarkResume measures taking up a run of thirty days at one reading per second.
func BenchmarkResume(b *testing.B) {
	const n = 30 * 86400
	run := longLog(b, n)
	for b.Loop() {
		w, tail, err := Resume(run, Options{Sync: time.Hour})
		if err != nil || tail.Coulometer.State().Readings != n {
			b.Fatal(err, tail)
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/resume")
}
