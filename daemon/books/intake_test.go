package books

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

var begin = time.Date(2026, 1, 10, 20, 0, 0, 0, time.UTC)

func take(t testing.TB, text string) (Taken, error) {
	t.Helper()
	return Intake{Data: t.TempDir(), Cell: "zinc-1", Name: "night.csv", Begin: begin}.Take(strings.NewReader(text))
}

// TestIntakeIgnoresNothing: a column that is none, a beginning that is another than the table's, and a year to come are refused.
func TestIntakeIgnoresNothing(t *testing.T) {
	const dates = "time_utc,volts,amperes\n2026-01-10T20:00:00Z,3,2\n2026-01-10T20:00:10Z,3,2\n"
	for _, tt := range []struct {
		text, want string
		begin      time.Time
		columns    map[string]string
	}{
		{dates, `--column wolts=volts: there is no "wolts" to be read; it is time, volts or amperes`, time.Time{}, map[string]string{"wolts": "volts"}},
		{dates, "its times are dates and begin at 2026-01-10T20:00:00Z, not at 2026-01-10T21:00:00Z; leave --begin out", begin.Add(time.Hour), nil},
		{strings.ReplaceAll(dates, "2026", "2996"), "would begin at 2996-01-10T20:00:00Z, in the future", time.Time{}, nil},
		{"time_s,voltage_V,current_A\n0,3,2\n20,3,2\n", "in the future", time.Now().AddDate(0, 0, 3), nil},
	} {
		data := t.TempDir()
		_, err := Intake{Data: data, Cell: "zinc-1", Name: "night.csv", Begin: tt.begin, Columns: tt.columns}.Take(strings.NewReader(tt.text))
		if left, _ := os.ReadDir(data); err == nil || !strings.Contains(err.Error(), tt.want) || len(left) > 0 {
			t.Errorf("%v, %d files; want it to say %q", err, len(left), tt.want)
		}
	}
}

// TestIntake reads tables as people have them: columns in any order, units in the head, comma or point, dates or seconds. Each
// holds 2 A at 3 V for 20 s, which is 40 C and 120 J.
func TestIntake(t *testing.T) {
	for name, text := range map[string]string{
		"plain":           "time_s,voltage_V,current_A\n0,3,2\n10,3,2\n20,3,2\n",
		"order and units": "I [mA];U (mV);t/min\n2000;3000;0\n2000;3000;0.16666666666666666\n2000;3000;0.3333333333333333\n",
		"decimal comma":   "t/h\tStrom;\tCell voltage (V)\tcurrent / A\n0\tx\t3,0\t2,0\n0,00277777777777778\tx\t3,0\t2,0\n0,00555555555555556\tx\t3,0\t2,0\n",
		"quoted":          "\ufefftime_s,\"voltage, V\",current_A\r\n0,\"3,0\",2\r\n\r\n# a remark\r\n10,3.0,2\r\n20,3,2\r\n",
		"dates":           "time_utc,volts,amperes\n2026-01-10T20:00:00Z,3,2\n2026-01-10T21:00:10+01:00,3,2\n2026-01-10 20:00:20,3,2",
		"no last end":     "time_s,voltage_V,current_A\n0,3,2\n20,3,2",
	} {
		done, err := take(t, text)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		b, err := Read(done.Run, nil)
		if err != nil {
			t.Fatal(err)
		}
		totals := b.Account.Totals
		if math.Abs(totals.Charge-40) > 1e-9 || math.Abs(totals.Energy-120) > 1e-9 || !b.Log.Ended || !b.Sound() || totals.Gaps != 0 {
			t.Errorf("%s: %g C, %g J, %d gaps, ended %v, sound %v", name, totals.Charge, totals.Energy, totals.Gaps, b.Log.Ended, b.Sound())
		}
		if filepath.Base(done.Run) != "20260110T200000Z" {
			t.Errorf("%s: run %s", name, done.Run)
		}
	}
}

// TestIntakeMistakes names the line, and leaves nothing behind.
func TestIntakeMistakes(t *testing.T) {
	const head = "time_s,voltage_V,current_A\n"
	for text, want := range map[string]string{
		"":                                   "night.csv is empty",
		head:                                 "night.csv, line 1: there are no readings",
		head + "0,3,2\n":                     "line 2: only one reading",
		"a,b\n1,2\n":                         "line 1: no column for the time: name it in the header, such as time_s, or with --column 'time=NAME'; no column for the volts",
		"time_s,voltage,current_A\n":         `the column "voltage" has no unit`,
		head + "0,3,2\n10,x,2\n":             `line 3: "x" in the column "voltage_V" is not a number`,
		head + "0,3,2\n10,3\n":               "line 3: 2 cells, but the header has 3",
		head + "0,3,2\n10,NaN,2\n":           "line 3: \"NaN\"",
		head + "0,3,2\n\n10,3,2\n5,3,2\n":    "line 5: its time is not after",
		head + "0,3,2\n0,3,2\n":              "line 3: its time is not after",
		"time,voltage_V,current_A\n17,3,2\n": `line 2: the time 17 is a number, and its column "time" has no unit`,
		head + "0,\"3,2\n":                   "line 2: the quotes do not close",
		head + strings.Repeat("1", 70000):    "line 2: the line is longer than 64 KiB",
	} {
		data := t.TempDir()
		_, err := Intake{Data: data, Cell: "zinc-1", Name: "night.csv", Begin: begin}.Take(strings.NewReader(text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v; want %q", text, err, want)
		}
		if left, err := os.ReadDir(data); err != nil || len(left) != 0 {
			t.Errorf("%.40q: %v is left behind (%v)", text, left, err)
		}
	}
	if _, err := (Intake{Data: t.TempDir(), Cell: "c", Name: "n"}).Take(strings.NewReader(head + "0,3,2\n1,3,2\n")); err == nil || !strings.Contains(err.Error(), "give the start of the run with --begin") {
		t.Errorf("without a beginning: %v", err)
	}
}

// TestIntakeKeepsWhatIsThere: no run is written over, and no open run is hidden behind a newer one.
func TestIntakeKeepsWhatIsThere(t *testing.T) {
	const text = "time_s,voltage_V,current_A\n0,3,2\n10,3,2\n"
	in := Intake{Data: t.TempDir(), Cell: "zinc-1", Name: "night.csv", Begin: begin}
	if _, err := in.Take(strings.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	if _, err := in.Take(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), "exists") {
		t.Errorf("a second time: %v", err)
	}
	open, err := runlog.Create(in.Data, "zinc-1", begin.Add(time.Hour), nil, runlog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := open.Close(); err != nil {
		t.Fatal(err)
	}
	in.Begin = begin.Add(2 * time.Hour)
	if _, err := in.Take(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), "has an open run") {
		t.Errorf("behind an open run: %v", err)
	}
	in.Begin = begin.Add(time.Minute)
	if _, err := in.Take(strings.NewReader(text)); err != nil {
		t.Errorf("before an open run: %v", err)
	}
	runs, err := List(in.Data, Filter{Open: true})
	if err != nil || len(runs) != 1 {
		t.Errorf("open runs are %v, %v", runs, err)
	}
	runs, err = List(in.Data, Filter{Until: begin.Add(30 * time.Second)})
	if err != nil || len(runs) != 1 || runs[0].Charge != 20 || !runs[0].Ended {
		t.Errorf("runs until then are %+v, %v", runs, err)
	}
	if _, err := List(in.Data, Filter{Cell: "zinc-9"}); err == nil {
		t.Error("a cell that never ran is listed")
	}
	if _, err := Read(filepath.Join(in.Data, "runs", "zinc-1", "20300101T000000Z"), nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an unknown run: %v", err)
	}
}

// TestGap books what the table leaves out as a gap of which nothing else is known.
func TestGap(t *testing.T) {
	done, err := take(t, "time_s,voltage_V,current_A\n0,3,2\n1,3,2\n3601,3,2\n3602,3,2\n")
	if err != nil {
		t.Fatal(err)
	}
	b, err := Read(done.Run, nil)
	if err != nil {
		t.Fatal(err)
	}
	if g := b.Account.Run.Gaps; len(g) != 1 || g[0].Low != 0 || b.Account.Totals.Gaps != 1 {
		t.Errorf("gaps %+v of %d", g, b.Account.Totals.Gaps)
	}
}

// TestLateEntries: a check of the meter made afterwards mends the whole charge, and what was taken back counts no more.
func TestLateEntries(t *testing.T) {
	done, err := take(t, "time_s,voltage_V,current_A\n0,3,2\n10,3,2\n20,3,2\n")
	if err != nil {
		t.Fatal(err)
	}
	w, err := runlog.OpenLate(done.Run)
	if err != nil {
		t.Fatal(err)
	}
	by := runlog.Text("by", "ann")
	wrong, err := w.Append(begin.Add(time.Hour), "weighing", "", by, runlog.Number("mass_kilograms", 1))
	if err != nil {
		t.Fatal(err)
	}
	name := wrong.Name()
	_, err1 := w.Append(begin.Add(2*time.Hour), runlog.EntryRetract, "a slip", by, runlog.Text(runlog.RetractedEntry, name))
	_, err2 := w.Append(begin.Add(3*time.Hour), runlog.EntryCheck, "", by, runlog.Number("factor", 1.01), runlog.Number("standard_uncertainty", 0.001))
	if err := errors.Join(err1, err2, w.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := Read(done.Run, nil)
	if err != nil {
		t.Fatal(err)
	}
	if a := b.Account; math.Abs(a.Totals.Charge-40.4) > 1e-9 || a.Masses[0].Deposit.Known() || len(a.Run.Entries) != 1 {
		t.Errorf("%v C, deposit %v, entries %+v", a.Totals.Charge, a.Masses[0].Deposit, a.Run.Entries)
	}
}

// TestBegunAnew: of a log that was begun anew, the course starts from the charge that was carried.
func TestBegunAnew(t *testing.T) {
	w, err := runlog.Create(t.TempDir(), "zinc-1", begin, nil, runlog.Options{Sync: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	c := integrate.NewCoulometer(integrate.Settings{})
	read := func(from, to int) {
		for i := from; i <= to; i++ {
			at := time.Duration(i) * time.Second
			_, err := c.Add(integrate.Sample{At: at, Volts: 3, Amperes: 2}, integrate.Evidence{})
			if err = errors.Join(err, w.Reading(begin.Add(at), min(at, time.Second), 3, 2, "cc", "on", drivers.Shown{})); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := w.Begin(begin, integrate.Settings{}, ""); err != nil {
		t.Fatal(err)
	}
	read(0, 100)
	if err := w.Anew(begin.Add(100*time.Second), "it is gone", nil, c); err != nil {
		t.Fatal(err)
	}
	read(101, 150)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := Read(w.Run(), nil)
	if err != nil {
		t.Fatal(err)
	}
	course := b.Account.Course
	if first, last := course[0].Coulombs, course[len(course)-1].Coulombs; first != 200 || last != 300 {
		t.Errorf("the course goes from %v to %v C", first, last)
	}
}

// TestDecimal reads plain numbers to the same bits as the library, and leaves the others to it.
func TestDecimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`-?[0-9]{1,16}([.,][0-9]{0,6})?(e[0-9])?`).Draw(t, "number")
		want, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil {
			t.Fatal(err)
		}
		if got, length, ok := decimal([]byte(text+";7"), ';'); ok && (got != want || length != len(text)) {
			t.Fatalf("%s is read as %v; it is %v", text, got, want)
		}
	})
	for _, text := range []string{"", "-", ".", "1.2.3", "1,2,3", "1e3", "NaN", "0x1", "+1", "1 2"} {
		if x, _, ok := decimal([]byte(text), ';'); ok {
			t.Errorf("%q is read as %v", text, x)
		}
	}
}

// parseTime reads a date or a time by all layouts that there are.
func parseTime(s string) (time.Time, error) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999", "2006-01-02 15:04:05.999999999Z07:00", "2006-01-02 15:04:05.999999999", "2006-01-02T15:04", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write 2026-01-10T20:00:00Z or 2026-01-10", s)
}

// TestDate reads dates as the layouts do, and refuses what those refuse.
func TestDate(t *testing.T) {
	for _, text := range []string{"2026-01-10T20:00:00.1234567891Z", "2026-01-10 20:00:00.123456789012+01:00"} { // what is finer than ns is cut off
		want, err := parseTime(text)
		if got, wrong := date([]byte(text)); errors.Join(err, wrong) != nil || !got.Equal(want) {
			t.Errorf("%s is read as %v, %v", text, got, wrong)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`20[0-9]{2}-[01][0-9]-[0-3][0-9][T tx][0-2][0-9]:[0-6][0-9](:[0-6][0-9]([.,][0-9]{0,9})?)?(Z|z|[+-]0[0-9]:[0-5]0|[+-]01)?`).Draw(t, "date")
		want, wrong := parseTime(text)
		if got, err := date([]byte(text)); (err != nil) != (wrong != nil) || !got.Equal(want) {
			t.Fatalf("%s is read as %v, %v; it is %v, %v", text, got, err, want, wrong)
		}
	})
}

// rows is a table of n readings, one a second, that is never whole in memory.
type rows struct {
	n, at int
	dates bool // in place of seconds
	rest  []byte
}

func (r *rows) Read(p []byte) (int, error) {
	if len(r.rest) == 0 {
		if r.at > r.n {
			return 0, io.EOF
		}
		b := r.rest[:0:cap(r.rest)]
		switch i := r.at - 1; {
		case i < 0 && r.dates:
			b = append(b, "time_utc,voltage_V,current_A\n"...)
		case i < 0:
			b = append(b, "time_s,voltage_V,current_A\n"...)
		default:
			if r.dates {
				b = begin.Add(time.Duration(i)*time.Second).AppendFormat(b, "2006-01-02T15:04:05")
			} else {
				b = strconv.AppendInt(b, int64(i), 10)
			}
			b = strconv.AppendFloat(append(b, ','), 3.1+0.001*float64(i%97), 'f', 3, 64)
			b = append(strconv.AppendFloat(append(b, ','), 2+0.001*float64(i%53), 'f', 3, 64), '\n')
		}
		r.rest = b
		r.at++
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

func csvOf(n int, dates bool) []byte {
	b, err := io.ReadAll(&rows{n: n, dates: dates})
	if err != nil {
		panic(err) // it gives none
	}
	return b
}

// pythonWith is a python3 that has a module, by the names of its Debian packages.
func pythonWith(t testing.TB, module string) string {
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import "+module).Run() == nil {
			return python
		}
	}
	if os.Getenv("NIGHTCELL_REQUIRE_REAL") != "" {
		t.Fatalf("python3 with %s is missing (Debian: python3-%s)", module, module)
	}
	t.Skipf("python3 with %s is missing (Debian: python3-%s)", module, module)
	return ""
}

// Both print charge, energy and the processor time that reading and integrating took, without that of starting.
const (
	integrates = `
q = numpy.trapz(i, t)
e = float(numpy.sum(numpy.diff(t) * (2*u[:-1]*i[:-1] + 2*u[1:]*i[1:] + u[:-1]*i[1:] + u[1:]*i[:-1]) / 6))
print(repr(float(q)), repr(e), time.process_time() - began)
`
	numpyReads = `
import sys, time, numpy
began = time.process_time()
t, u, i = numpy.loadtxt(sys.argv[1], delimiter=",", skiprows=1, unpack=True)
` + integrates
	pandasReads = `
import sys, time, numpy, pandas
began = time.process_time()
d = pandas.read_csv(sys.argv[1], parse_dates=[0] if sys.argv[2] == "true" else False)
t, u, i = (d.iloc[:, k] for k in range(3))
t = (t - t[0]).dt.total_seconds().to_numpy() if sys.argv[2] == "true" else t.to_numpy()
u, i = u.to_numpy(), i.to_numpy()
` + integrates
)

func theirs(t testing.TB, module, script string, args ...string) (charge, energy, seconds float64) {
	t.Helper()
	out, err := exec.Command(pythonWith(t, module), append([]string{"-c", script}, args...)...).Output()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(string(out), &charge, &energy, &seconds); err != nil {
		t.Fatal(err)
	}
	return charge, energy, seconds
}

// TestNumpy integrates the same table with numpy: the trapezoid of the current, and the product of two straight lines.
func TestNumpy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "night.csv")
	if err := os.WriteFile(path, csvOf(5000, false), 0o600); err != nil {
		t.Fatal(err)
	}
	charge, energy, _ := theirs(t, "numpy", numpyReads, path)
	done, err := take(t, string(csvOf(5000, false)))
	if err != nil {
		t.Fatal(err)
	}
	b, err := Read(done.Run, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.Account.Totals; math.Abs(got.Charge-charge) > 1e-12*charge || math.Abs(got.Energy-energy) > 1e-12*energy {
		t.Errorf("%v C, %v J; numpy has %v C, %v J", got.Charge, got.Energy, charge, energy)
	}
}

// BenchmarkImport sets readings per second of processor time beside those of pandas with numpy on the same table in the same run, with times in
// seconds and as dates: read and integrated, as they do, and with the durable log of a run, which they do not write.
func BenchmarkImport(b *testing.B) {
	for _, dates := range []bool{false, true} {
		times := map[bool]string{false: "seconds", true: "dates"}[dates]
		b.Run(times+"/read", func(b *testing.B) {
			compare(b, dates, func(data []byte) error {
				t, err := Intake{Name: "night.csv"}.open(bytes.NewReader(data))
				if err != nil {
					return err
				}
				c := integrate.NewCoulometer(integrate.Settings{})
				first, err := t.next()
				for r := first; err == nil; r, err = t.next() {
					if _, err := c.Add(integrate.Sample{At: r.since(first), Volts: r.volts, Amperes: r.amperes}, integrate.Evidence{}); err != nil {
						return err
					}
				}
				if err != io.EOF || c.Totals().Charge == 0 {
					return fmt.Errorf("%v after %v C", err, c.Totals().Charge)
				}
				return nil
			})
		})
		b.Run(times+"/run", func(b *testing.B) {
			compare(b, dates, func(data []byte) error {
				_, err := Intake{Data: b.TempDir(), Cell: "zinc-1", Name: "night.csv", Begin: begin}.Take(bytes.NewReader(data))
				return err
			})
		})
	}
}

func compare(b *testing.B, dates bool, take func([]byte) error) {
	const n = 1_000_000
	path, data := filepath.Join(b.TempDir(), "night.csv"), csvOf(n, dates)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		b.Fatal(err)
	}
	_, _, seconds := theirs(b, "pandas", pandasReads, path, strconv.FormatBool(dates))
	began := processor()
	for b.Loop() {
		if err := take(data); err != nil {
			b.Fatal(err)
		}
	}
	ours := n * float64(b.N) / (processor() - began)
	b.ReportMetric(ours, "readings/s")
	b.ReportMetric(n/seconds, "pandas-readings/s")
	b.ReportMetric(ours*seconds/n, "times-pandas")
}

// processor is the processor time of this process in s, NaN where the system does not tell: on a busy machine it is what can be compared.
func processor() float64 {
	stat, _ := os.ReadFile("/proc/self/stat")
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	if len(fields) < 13 {
		return math.NaN()
	}
	user, errUser := strconv.ParseFloat(fields[11], 64)
	system, errSystem := strconv.ParseFloat(fields[12], 64)
	if errUser != nil || errSystem != nil {
		return math.NaN()
	}
	return (user + system) / 100 // ticks of 10 ms
}

// BenchmarkAccount reads the books of a run of 30 days at a reading per second.
func BenchmarkAccount(b *testing.B) {
	const n = 2_600_000
	done, err := Intake{Data: b.TempDir(), Cell: "zinc-1", Name: "month.csv", Begin: begin}.Take(&rows{n: n})
	if err != nil {
		b.Fatal(err)
	}
	began := processor()
	for b.Loop() {
		if _, err := Read(done.Run, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/account")
	b.ReportMetric((processor()-began)/float64(b.N), "processor-s/account")
	b.ReportMetric(peakMiB(), "MiB-peak")
}

// peakMiB is the most memory that the process has held, NaN where the system does not tell.
func peakMiB() float64 {
	status, _ := os.ReadFile("/proc/self/status")
	for _, line := range strings.Split(string(status), "\n") {
		if kb, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			if x, err := strconv.ParseFloat(strings.Fields(kb)[0], 64); err == nil {
				return x / 1024
			}
		}
	}
	return math.NaN()
}
