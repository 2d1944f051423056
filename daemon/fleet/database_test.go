package fleet

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"gonum.org/v1/gonum/integrate"

	"nightcell/daemon/runlog"
)

// get asks a database and returns what it says.
func get(t testing.TB, address string, query url.Values) []byte {
	t.Helper()
	client := &http.Client{Timeout: patience}
	resp, err := client.PostForm(address, query)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode/100 != 2 {
		t.Fatalf("%s: HTTP %d, %v: %s", address, resp.StatusCode, err, body)
	}
	return body
}

// influx is a real InfluxDB 1.x.
type influx struct {
	*process
	t   testing.TB
	url string
}

const influxConfig = `
reporting-disabled = true
bind-address = %q
[meta]
dir = %q
[data]
dir = %q
wal-dir = %q
[http]
bind-address = %q
log-enabled = false
auth-enabled = %v
[logging]
level = "error"
`

func newInflux(t testing.TB, guarded bool) *influx {
	t.Helper()
	path := program(t, "influxd")
	dir, address := t.TempDir(), freeAddress()
	config := filepath.Join(dir, "influxdb.conf")
	text := fmt.Sprintf(influxConfig, freeAddress(), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), address, guarded)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	i := &influx{t: t, url: "http://" + address}
	i.process = launch(t, answers(i.url+"/ping"), path, "-config", config)
	return i
}

// password of the database's only user; invented.
const password = "a-test-only"

// value is the only number that a query gives; 0 when there is none.
func (i *influx) value(query string) float64 {
	i.t.Helper()
	v := url.Values{"q": {query}, "db": {"lab"}}
	user := url.Values{"u": {"nightcell"}, "p": {password}}
	var answer struct {
		Results []struct {
			Error  string
			Series []struct{ Values [][]any }
		}
	}
	body := get(i.t, i.url+"/query?"+user.Encode(), v)
	if err := json.Unmarshal(body, &answer); err != nil || len(answer.Results) != 1 || answer.Results[0].Error != "" {
		i.t.Fatalf("%s: %v: %s", query, err, body)
	}
	if len(answer.Results[0].Series) == 0 {
		return 0
	}
	row := answer.Results[0].Series[0].Values[0]
	f, ok := row[len(row)-1].(float64)
	if !ok {
		i.t.Fatalf("%s gives %s", query, body)
	}
	return f
}

// pushed are the kinds of lines that go to a database, each with a field that all lines of the kind have.
var pushed = map[runlog.Kind]string{
	runlog.KindReading: "volts", runlog.KindGap: "length", runlog.KindAlarm: "state", runlog.KindNotice: "id",
	runlog.KindEntry: "kind", runlog.KindOutput: "action",
}

// readings are times in seconds since the first, and amperes, as the log has them. Those within one unit of the wall clock
// stand together: under load two polls can come within a millisecond, of which a database that keeps milliseconds has one.
func (b *bench) readings(cell string, unit time.Duration) (seconds []float64, amperes [][]float64) {
	b.t.Helper()
	r, err := runlog.Open(filepath.Dir(b.logOf(cell)))
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Close()
	var rec runlog.Record
	var first, last int64
	for r.Next(&rec) == nil {
		if rec.Kind != runlog.KindReading {
			continue
		}
		if first == 0 {
			first = rec.Nanos
		}
		if n := len(amperes) - 1; n >= 0 && rec.Nanos/int64(unit) == last/int64(unit) {
			amperes[n] = append(amperes[n], rec.Amperes)
			continue
		}
		last = rec.Nanos
		seconds = append(seconds, float64(rec.Nanos-first)/1e9)
		amperes = append(amperes, []float64{rec.Amperes})
	}
	return seconds, amperes
}

// TestInfluxHoldsTheLog kills a real InfluxDB 1.x and nightcell in turn while readings flow. At the
// end the database has every line of the log once, and its own integral() over the
// run equals the trapezoid over the log (gonum) and the charge that nightcell counts.
// The database wants a user and a password, which stands in a file.
func TestInfluxHoldsTheLog(t *testing.T) {
	t.Parallel()
	i := newInflux(t, true)
	get(t, i.url+"/query", url.Values{"q": {"CREATE USER nightcell WITH PASSWORD '" + password + "' WITH ALL PRIVILEGES"}})
	i.value("CREATE DATABASE lab")
	secret := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(secret, []byte(password+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, "north", plan{cells: 2, poll: "50 ms", more: fmt.Sprintf(
		"[push.house]\nurl = %q\nform = \"v1\"\ndatabase = \"lab\"\nuser = \"nightcell\"\npassword_file = %q\nevery = \"200 ms\"\ntimeout = \"2 s\"\ntags = { bench = \"north\" }\n", i.url, secret)})
	logged := func(cell string) int { return b.lines(cell, runlog.KindReading) }
	stored := func(cell string) int {
		return int(i.value(fmt.Sprintf(`SELECT count(volts) FROM reading WHERE cell = '%s'`, cell)))
	}
	disturb(t, b, i.process, logged, stored)
	for _, cell := range b.cells {
		for kind, field := range pushed {
			got := int(i.value(fmt.Sprintf(`SELECT count(%s) FROM "%s" WHERE cell = '%s' AND bench = 'north'`, field, kind, cell)))
			if want := b.lines(cell, kind); got != want {
				t.Errorf("%s: the database has %d lines of the kind %s, the log %d", cell, got, kind, want)
			}
		}
		at, amperes := b.readings(cell, time.Nanosecond)
		want := integrate.Trapezoidal(at, slices.Concat(amperes...))
		got := i.value(fmt.Sprintf(`SELECT integral(amperes) FROM reading WHERE cell = '%s'`, cell))
		if math.Abs(got-want) > 1e-9*want {
			t.Errorf("%s: integral() is %v C, the trapezoid over the log %v C", cell, got, want)
		}
		report, err := runlog.ReplayFile(filepath.Dir(b.logOf(cell)))
		if err != nil {
			t.Fatal(err)
		}
		// The wall clock of the time stamps and the monotonic clock of the charge part by a little.
		if charge := report.Totals.Charge; math.Abs(got-charge) > 1e-3*charge {
			t.Errorf("%s: integral() is %v C, nightcell counts %v C", cell, got, charge)
		}
		t.Logf("%s: %d readings, integral() %.6f C, log %.6f C, counted %.6f C", cell, len(at), got, want, report.Totals.Charge)
	}
}

// disturb lets readings flow over a kill and an outage of the database, a kill of
// nightcell, both at once, and a polite restart, then stops nightcell with everything sent.
func disturb(t *testing.T, b *bench, database *process, logged, stored func(cell string) int) {
	t.Helper()
	caughtUp := func(what string) {
		t.Helper()
		for _, cell := range b.cells {
			want := logged(cell)
			waitFor(t, fmt.Sprintf("%s: the database has %d readings of %s", what, want, cell), func() bool { return stored(cell) >= want })
		}
	}
	b.grow(b.cells[0], 30)
	caughtUp("at first")
	database.kill()
	b.grow(b.cells[0], 20)
	database.start()
	caughtUp("after an outage")
	b.restart(false)
	b.grow(b.cells[0], 20)
	database.kill()
	b.kill()
	database.start()
	b.start()
	b.grow(b.cells[0], 20)
	caughtUp("after both were killed")
	database.stop()
	b.grow(b.cells[0], 10)
	database.start()
	caughtUp("after the database was stopped for maintenance")
	b.restart(true)
	b.grow(b.cells[0], 20)
	b.stop() // sends the last lines, if the database takes them within the seconds that a stopping watch has; else the next one does
	for range 4 {
		if soon(func() bool {
			return !slices.ContainsFunc(b.cells, func(cell string) bool { return stored(cell) < logged(cell) })
		}) {
			break
		}
		b.start()
		b.grow(b.cells[0], 5)
		b.stop()
	}
	caughtUp("at the end")
}

// soon says whether ok comes true within a time in which a database shows what it has.
func soon(ok func() bool) bool {
	limit, tick := time.NewTimer(20*time.Second), time.NewTicker(50*time.Millisecond)
	defer limit.Stop()
	defer tick.Stop()
	for !ok() {
		select {
		case <-limit.C:
			return false
		case <-tick.C:
		}
	}
	return true
}

// victoria is a real VictoriaMetrics.
type victoria struct {
	*process
	t   testing.TB
	url string
}

func newVictoria(t testing.TB) *victoria {
	t.Helper()
	path := program(t, "victoria-metrics")
	address := freeAddress()
	v := &victoria{t: t, url: "http://" + address}
	// Duplicates are dropped when told so; it keeps time stamps to the millisecond.
	v.process = launch(t, answers(v.url+"/health"), path, "-storageDataPath="+t.TempDir(), "-httpListenAddr="+address,
		"-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR")
	return v
}

// export are the samples of one series: times in seconds since the first, and values.
func (v *victoria) export(name, cell string) (seconds, values []float64) {
	v.t.Helper()
	get(v.t, v.url+"/internal/force_flush", nil)
	body := get(v.t, v.url+"/api/v1/export", url.Values{"match[]": {fmt.Sprintf("%s{cell=%q}", name, cell)}, "reduce_mem_usage": {"0"}})
	var first int64
	for line := range strings.Lines(string(body)) {
		var s struct {
			Values     []float64
			Timestamps []int64
		}
		if err := json.Unmarshal([]byte(line), &s); err != nil {
			v.t.Fatalf("%v: %s", err, line)
		}
		for i, at := range s.Timestamps {
			if first == 0 {
				first = at
			}
			seconds = append(seconds, float64(at-first)/1e3)
			values = append(values, s.Values[i])
		}
	}
	return seconds, values
}

// TestVictoriaHoldsTheLog does the same with a real VictoriaMetrics and the v2 form.
func TestVictoriaHoldsTheLog(t *testing.T) {
	t.Parallel()
	v := newVictoria(t)
	b := newBench(t, "south", plan{cells: 2, poll: "50 ms", more: fmt.Sprintf(
		"[push.house]\nurl = %q\nform = \"v2\"\norg = \"lab\"\nbucket = \"lab\"\nevery = \"200 ms\"\ntimeout = \"2 s\"\nnumbers_only = true\n", v.url)})
	logged := func(cell string) int {
		at, _ := b.readings(cell, time.Millisecond)
		return len(at)
	}
	stored := func(cell string) int {
		at, _ := v.export("reading_volts", cell)
		return len(at)
	}
	disturb(t, b, v.process, logged, stored)
	for _, cell := range b.cells {
		at, amperes := b.readings(cell, time.Millisecond)
		gotAt, got := v.export("reading_amperes", cell)
		if len(got) != len(amperes) {
			t.Fatalf("%s: the database has %d readings, the log %d", cell, len(got), len(amperes))
		}
		for i := range got {
			if !slices.Contains(amperes[i], got[i]) {
				t.Fatalf("%s: reading %d is %v A in the database and %v A in the log", cell, i, got[i], amperes[i])
			}
			amperes[i] = got[i : i+1]
		}
		charge, want := integrate.Trapezoidal(gotAt, got), integrate.Trapezoidal(at, slices.Concat(amperes...))
		if math.Abs(charge-want) > 2e-3*3.1 { // two ends cut to the millisecond at some 3 A; those between cancel
			t.Errorf("%s: the trapezoid over the database is %v C, over the log %v C", cell, charge, want)
		}
		t.Logf("%s: %d readings, database %.6f C, log %.6f C", cell, len(got), charge, want)
	}
	// A field of text becomes a series of zeros there, so that none may arrive.
	var names struct{ Data []string }
	if err := json.Unmarshal(get(t, v.url+"/api/v1/label/__name__/values", nil), &names); err != nil {
		t.Fatal(err)
	}
	texts := 0
	for name := range b.textFields(b.cells[0]) {
		texts++
		if slices.Contains(names.Data, name) {
			t.Errorf("the database has a series of the text %s", name)
		}
	}
	if texts == 0 || !slices.Contains(names.Data, "reading_volts") {
		t.Errorf("%d fields of text in the log, series %q", texts, names.Data)
	}
}

// textFields names the fields of text in a cell's newest log as the database joins them: measurement_field.
func (b *bench) textFields(cell string) map[string]bool {
	b.t.Helper()
	data, err := os.ReadFile(b.logOf(cell))
	if err != nil {
		b.t.Fatal(err)
	}
	found := map[string]bool{}
	for d := lineprotocol.NewDecoderWithBytes(data); d.Next(); {
		kind, err := d.Measurement()
		if err != nil || string(kind) == string(runlog.KindCheckpoint) {
			continue
		}
		for {
			key, value, err := d.NextField()
			if err != nil || key == nil {
				break
			}
			if value.Kind() == lineprotocol.String {
				found[string(kind)+"_"+string(key)] = true
			}
		}
	}
	return found
}
