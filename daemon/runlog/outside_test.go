package runlog

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// real finds a program that a check needs. Without it the check is skipped, unless
// NIGHTCELL_REQUIRE_REAL=1 asks for the real thing.
func real(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
		t.Fatalf("%s is required: %v", name, err)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// exampleNight writes a run without gaps, of 5000 jittered readings.
func exampleNight(t *testing.T) *live {
	t.Helper()
	l := startLive(t, t.TempDir(), Options{Sync: time.Hour})
	for range 5000 {
		l.poll(time.Second+time.Duration(l.rng.IntN(1e8)), untouched)
	}
	l.checkpoint()
	l.must(l.w.Close())
	return l
}

// TestNumpyAgrees: numpy's trapezoid over the exported CSV gives the counted charge, to 1e-12.
func TestNumpyAgrees(t *testing.T) {
	python := real(t, "/usr/bin/python3")
	if err := exec.Command(python, "-c", "import numpy").Run(); err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatal("numpy is required: ", err)
		}
		t.Skip("numpy is not installed")
	}
	l := exampleNight(t)
	var table bytes.Buffer
	report, err := ExportReadings(l.w.Run(), &table, nil)
	l.must(err)
	l.sameAs(report)
	cmd := exec.Command(python, "-c", `
import sys, numpy
trapezoid = getattr(numpy, "trapezoid", None) or numpy.trapz
t, i = numpy.genfromtxt(sys.stdin, delimiter=",", names=True, usecols=("elapsed_seconds", "amperes"), dtype=float, unpack=True)
print(repr(float(trapezoid(i, t))))`)
	cmd.Stdin = &table
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	got, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
	l.must(err)
	if want := l.c.Totals().Charge; math.Abs(got-want) > 1e-12*want {
		t.Errorf("numpy %.17g C, counted %.17g C", got, want)
	}
}

// TestInfluxDBAgrees: a real InfluxDB takes the exported lines, and its integral()
// gives the counted charge. It integrates over its own nanosecond time stamps.
func TestInfluxDBAgrees(t *testing.T) {
	base := startInfluxDB(t, real(t, "influxd"))
	l := exampleNight(t)
	post(t, base+"/query", url.Values{"q": {"CREATE DATABASE night"}}.Encode(), "application/x-www-form-urlencoded")
	var lines bytes.Buffer
	_, err := ExportLines(l.w.Run(), &lines, nil)
	l.must(err)
	post(t, base+"/write?db=night&precision=ns", lines.String(), "text/plain")

	query := func(q string) float64 {
		t.Helper()
		answer := post(t, base+"/query?db=night", url.Values{"q": {q}}.Encode(), "application/x-www-form-urlencoded")
		var found struct {
			Results []struct {
				Error  string
				Series []struct{ Values [][]any }
			}
		}
		l.must(json.Unmarshal(answer, &found))
		if len(found.Results) != 1 || len(found.Results[0].Series) != 1 {
			t.Fatalf("%s: %s", q, answer)
		}
		values := found.Results[0].Series[0].Values
		x, ok := values[len(values)-1][1].(float64)
		if !ok {
			t.Fatalf("%s: %s", q, answer)
		}
		return x
	}
	if n := query(`SELECT count("amperes") FROM "reading"`); n != float64(l.polls) {
		t.Errorf("InfluxDB holds %v readings of %d", n, l.polls)
	}
	if got, want := query(`SELECT integral("amperes", 1s) FROM "reading"`), l.c.Totals().Charge; math.Abs(got-want) > 1e-9*want {
		t.Errorf("InfluxDB %.17g C, counted %.17g C", got, want)
	}
	if got, want := query(`SELECT last("total_charge") FROM "checkpoint"`), l.c.Totals().Charge; got != want {
		t.Errorf("last checkpoint %.17g C, counted %.17g C", got, want)
	}
}

// startInfluxDB runs a server of the test's own on the loopback and returns its address.
func startInfluxDB(t *testing.T, influxd string) string {
	t.Helper()
	dir := t.TempDir()
	http1, rpc := housetest.FreePort(), housetest.FreePort()
	config := fmt.Sprintf(`reporting-disabled = true
bind-address = "127.0.0.1:%d"
[meta]
dir = %q
[data]
dir = %q
wal-dir = %q
[http]
bind-address = "127.0.0.1:%d"
log-enabled = false
max-body-size = 0
[monitor]
store-enabled = false
`, rpc, filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), http1)
	file := filepath.Join(dir, "influxdb.conf")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	cmd := exec.CommandContext(ctx, influxd, "run", "-config", file)
	cmd.Env = append(os.Environ(), "HOME="+dir)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		stop()
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stop()
		_ = cmd.Wait() // killed
	})
	base := fmt.Sprintf("http://127.0.0.1:%d", http1)
	deadline := time.Now().Add(2 * time.Minute)
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		if answer, err := http.Get(base + "/ping"); err == nil {
			_ = answer.Body.Close()
			return base
		}
		if time.Now().After(deadline) {
			stop()
			_ = cmd.Wait()
			t.Fatalf("InfluxDB does not answer: %s", said.String())
		}
		<-tick.C
	}
}

func post(t *testing.T, to, body, kind string) []byte {
	t.Helper()
	answer, err := http.Post(to, kind, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode/100 != 2 {
		t.Fatalf("%s: %s, %v: %s", to, answer.Status, err, data)
	}
	return data
}
