package watch

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestKilledInTheFirstMinutes kills a watch ten seconds after its run began, while the wall
// clock is turned back by an hour: the boot that it began in is remembered already, and so is the dark time.
func TestKilledInTheFirstMinutes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, left := t.TempDir(), t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		booted := time.Now().Add(-time.Hour)
		boot := func() (string, time.Duration, bool) { return "a", time.Since(booted), true }
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		c.m.Boot = boot
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Second)
		if err := os.CopyFS(left, os.DirFS(dir)); err != nil { // what a kill leaves behind
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		<-time.After(10 * time.Minute)
		c = zincCell(t, b, left, "", `recover = "68 %"`, "")
		c.m.Boot = boot
		c.m.UTC = func() time.Time { return time.Now().UTC().Add(-time.Hour) }
		stop = watchtest.Start(t, c)
		<-time.After(time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if s.Charge.GapSeconds < 595 || s.Charge.GapSeconds > 620 {
			t.Errorf("the gap is %.0f s long, nobody watched for ten minutes", s.Charge.GapSeconds)
		}
	})
}

// TestMemoryOfAnotherVersion takes a run up whose memory names what this version does not
// know: the watch goes on, with the charge, and says so.
func TestMemoryOfAnotherVersion(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		stop := watchtest.Start(t, zincCell(t, b, dir, "", `recover = "68 %"`, ""))
		<-time.After(time.Hour)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		run, _, err := runlog.LatestRun(dir, "zinc-1")
		if err != nil {
			t.Fatal(err)
		}
		log, tail, err := runlog.Resume(run, runlog.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal([]byte(tail.Checkpoint.Text("watch")), &m); err != nil {
			t.Fatal(err)
		}
		m["acted"] = map[string]bool{"boredom": true}
		m["bath"] = map[string]any{"Valence": -3}
		text, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(log.Checkpoint(time.Now(), tail.Coulometer, runlog.Text("watch", string(text))), log.Close()); err != nil {
			t.Fatal(err)
		}
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop = watchtest.Start(t, c)
		<-time.After(time.Minute)
		s := c.Latest()
		if s == nil || s.Run != run || s.Charge.CountedCoulombs < 3*3600 || s.Bath.DepositGrams < 2 {
			t.Errorf("the watch does not go on: %+v", s)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestKilledBeforeTheFirstReading kills a watch between the first line of a run and its
// first reading, and once more later: each dark time is as long as it was.
func TestKilledBeforeTheFirstReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		booted := time.Now().Add(-time.Hour)
		boot := func() (string, time.Duration, bool) { return "a", time.Since(booted), true }
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		log, err := runlog.Create(dir, "zinc-1", time.Now(), nil, runlog.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(log.Begin(time.Now(), c.settings.Count, "run started"), log.Close()); err != nil {
			t.Fatal(err)
		}
		for _, dark := range []time.Duration{10 * time.Minute, 5 * time.Minute} {
			<-time.After(dark)
			c = zincCell(t, b, dir, "", `recover = "68 %"`, "")
			c.m.Boot = boot
			stop := watchtest.Start(t, c)
			<-time.After(time.Hour)
			if err := stop(); err != nil {
				t.Fatal(err)
			}
		}
		s := c.Latest()
		if s.Run != log.Run() || s.Charge.Gaps != 1 || s.Charge.GapSeconds < 295 || s.Charge.GapSeconds > 315 {
			t.Errorf("%d gaps of %.0f s; nobody watched for five minutes after the first reading", s.Charge.Gaps, s.Charge.GapSeconds)
		}
	})
}

// forget takes out of a log every checkpoint but the first, which holds no memory.
func forget(t *testing.T, dir string) {
	t.Helper()
	run, _, err := runlog.LatestRun(dir, "zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(run, runlog.LogName)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var kept []byte
	checkpoints := 0
	for line := range bytes.Lines(text) {
		if bytes.HasPrefix(line, []byte("checkpoint,")) {
			if checkpoints++; checkpoints > 1 {
				continue
			}
		}
		kept = append(kept, line...)
	}
	if err := os.WriteFile(path, kept, 0o640); err != nil {
		t.Fatal(err)
	}
}

// TestKilledBeforeTheSupplyAnswers kills a watch whose memory is lost, and the next one before the supply has answered; the third must
// still take the supply for the right one.
func TestKilledBeforeTheSupplyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, left := t.TempDir(), t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		stop := watchtest.Start(t, zincCell(t, b, dir, "", `recover = "68 %"`, ""))
		<-time.After(time.Minute)
		if err := os.CopyFS(left, os.DirFS(dir)); err != nil { // what a kill leaves behind
			t.Fatal(err)
		}
		forget(t, left)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		for _, gone := range []bool{true, false} {
			b.Change(func() { b.Gone = gone })
			c := zincCell(t, b, left, "", `recover = "68 %"`, "")
			stop := watchtest.Start(t, c)
			<-time.After(time.Minute)
			if s := c.Latest(); s.Link.Up == gone {
				t.Errorf("unplugged: %v, up: %v: %s", gone, s.Link.Up, s.Link.Problem)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
