package runlog

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightcell/integrate"
)

// reseal gives a changed checkpoint the sum that vouches for it, as a forger who knows the format would.
func reseal(line []byte) []byte {
	at := bytes.LastIndex(line, []byte(lineSumKey))
	stamp := line[bytes.LastIndexByte(line, ' ')+1:]
	n, err := strconv.ParseInt(string(bytes.TrimSpace(stamp)), 10, 64)
	if err != nil {
		panic(err)
	}
	return seal(bytes.Clone(line[:at]), 0, n)
}

// forge changes the last line of a kind.
func forge(t *testing.T, run, kind string, change func([]byte) []byte) {
	t.Helper()
	path := filepath.Join(run, LogName)
	log, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(log, []byte("\n"))
	for i := len(lines) - 1; i >= 0; i-- {
		if bytes.HasPrefix(lines[i], []byte(kind+",")) {
			lines[i] = change(lines[i])
			break
		}
	}
	if err := os.WriteFile(path, bytes.Join(lines, nil), 0o600); err != nil {
		t.Fatal(err)
	}
}

var chargeKey = regexp.MustCompile(`,charge=[^,]+`)

// TestACheckpointIsHeldAgainstItsReadings forges the end of a log in several ways; a resume tells
// each, and counts on from the readings where those are as they were written.
func TestACheckpointIsHeldAgainstItsReadings(t *testing.T) {
	tests := map[string]struct {
		forge    func(t *testing.T, run string)
		says     string // in the doubt; empty: none
		readings bool   // are what the run is taken up from
	}{
		"untouched": {func(*testing.T, string) {}, "", true},
		"charge forged": {func(t *testing.T, run string) {
			forge(t, run, "checkpoint", func(line []byte) []byte {
				return reseal(chargeKey.ReplaceAll(line, []byte(",charge=360000")))
			})
		}, "gives 100 A·h, but the readings before it give", true},
		"charge forged without a seal": {func(t *testing.T, run string) { // it vouches for itself no more, so the one before is taken
			forge(t, run, "checkpoint", func(line []byte) []byte { return chargeKey.ReplaceAll(line, []byte(",charge=360000")) })
		}, "", true},
		"zero forged": {func(t *testing.T, run string) {
			forge(t, run, "checkpoint", func(line []byte) []byte {
				return reseal(regexp.MustCompile(`,zero=[^,]+`).ReplaceAll(line, []byte(",zero=0.5")))
			})
		}, "zero is 0.5 and should be 0", true},
		"a reading changed": {func(t *testing.T, run string) {
			forge(t, run, "reading", func(line []byte) []byte {
				return bytes.Replace(line, []byte("volts=3."), []byte("volts=4."), 1)
			})
		}, "does not match the log before it: it counts", false},
		"a reading removed": {func(t *testing.T, run string) {
			forge(t, run, "reading", func([]byte) []byte { return nil })
		}, "does not match the log before it: it counts", false},
		"the checkpoint before and a reading before that damaged": { // the last one vouches for itself and for what follows the damage
			func(t *testing.T, run string) {
				path := filepath.Join(run, LogName)
				log, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				before := bytes.LastIndex(log[:bytes.LastIndex(log, []byte("\ncheckpoint,"))], []byte("\ncheckpoint,"))
				log[before-1] = '?' // in the time stamp of the reading
				log[before+bytes.Index(log[before:], []byte(",charge="))+8] = '9'
				if err := os.WriteFile(path, log, 0o600); err != nil {
					t.Fatal(err)
				}
			}, "", true},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			l := startLive(t, t.TempDir(), Options{CheckpointEvery: time.Hour})
			for i := range 600 {
				l.poll(time.Second, integrate.Evidence{})
				if i%100 == 50 {
					l.checkpoint()
				}
			}
			l.checkpoint()
			l.must(l.w.Close())
			tt.forge(t, l.w.Run())
			w, tail, err := Resume(l.w.Run(), Options{})
			if err != nil {
				t.Fatal(err)
			}
			l.must(w.Close())
			said := ""
			if tail.Doubt != nil {
				said = tail.Doubt.Reason
			}
			if tt.says == "" && said != "" || !strings.Contains(said, tt.says) {
				t.Errorf("the doubt is %q, want %q", said, tt.says)
			}
			if got := tail.Coulometer.State(); tt.readings && !got.Equal(l.c.State()) {
				t.Errorf("taken up at %+v\ncounted     %+v", got, l.c.State())
			}
			log, err := os.ReadFile(filepath.Join(l.w.Run(), LogName))
			if err != nil || bytes.Contains(log, []byte(`kind="doubt"`)) != (tt.says != "") {
				t.Errorf("the log holds an entry of doubt: %v, %v", tt.says == "", err)
			}
			if report := replay(t, Disk{}, l.w.Run()); tt.says != "" && report.Sound() {
				t.Error("verify calls the log sound")
			}
		})
	}
}

// TestTheLastCheckpointIsHeldAgainstTheBeginning forges the only checkpoint that readings precede.
func TestTheLastCheckpointIsHeldAgainstTheBeginning(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{})
	l.must(l.w.Close())
	forge(t, l.w.Run(), "checkpoint", func(line []byte) []byte {
		return reseal(chargeKey.ReplaceAll(line, []byte(",charge=3600")))
	})
	_, tail, err := Resume(l.w.Run(), Options{})
	if err != nil || tail.Doubt == nil || tail.Coulometer.Totals().Charge != 0 {
		t.Errorf("resumed with %+v, %v", tail, err)
	}
}

// TestAMismatchNamesItsFigure: a checkpoint can differ in another figure than the totals that are told.
func TestAMismatchNamesItsFigure(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{})
	l.must(l.w.Close())
	forge(t, l.w.Run(), "checkpoint", func(line []byte) []byte {
		return reseal(regexp.MustCompile(`,zero=[^,]+`).ReplaceAll(line, []byte(",zero=0.5")))
	})
	report := replay(t, Disk{}, l.w.Run())
	if len(report.Mismatches) != 1 || fmt.Sprint(report.Mismatches[0].Figures) != "[zero is 0.5 and should be 0]" {
		t.Errorf("mismatches %+v", report.Mismatches)
	}
}

// TestADoubterIsToldOfTheEndAlone: damage and records before the last checkpoint were told by whoever wrote it.
func TestADoubterIsToldOfTheEndAlone(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 250, false)
	last := bytes.LastIndex(data, []byte("\ncheckpoint,"))
	before := bytes.LastIndex(data[:last], []byte("\ncheckpoint,"))
	at := before + 1 + bytes.IndexByte(data[before+1:], '\n') + 1 // the line behind the checkpoint before
	remark, err := appendLine(nil, KindEntry, l.w.cell, "", l.w.nanos, []Field{Text("kind", "remark")}, false)
	if err != nil {
		t.Fatal(err)
	}
	for name, more := range map[string]string{"nothing": "", "damage": "no line\n", "a record": string(remark)} {
		spoiled := append(append(bytes.Clone(data[:at]), more...), data[at:]...)
		sees, err := readTail(readFile(spoiled), false)
		if err != nil {
			t.Fatal(err)
		}
		doubts, err := readTail(readFile(spoiled), true)
		if err != nil {
			t.Fatal(err)
		}
		if len(doubts.Records) != len(sees.Records) || len(doubts.Damage) != len(sees.Damage) {
			t.Errorf("%s: %d records and %v, want %d and %v", name, len(doubts.Records), doubts.Damage, len(sees.Records), sees.Damage)
		}
	}
}

// TestACheckpointSpeaksForLostLines: one stands for the line of the end and for the beginning of a log where those are lost, and one that
// stands twice casts no doubt on itself.
func TestACheckpointSpeaksForLostLines(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 120, true)
	end := bytes.Index(data, []byte(`kind="end"`))
	first := bytes.Index(data, []byte("\ncheckpoint,")) + 1
	last := bytes.LastIndex(data, []byte("\ncheckpoint,")) + 1
	for name, spoiled := range map[string][]byte{
		"the end damaged":    append(append(bytes.Clone(data[:end]), '?'), data[end+1:]...),
		"the beginning lost": data[first:],
		"the last twice":     append(bytes.Clone(data), data[last:]...),
	} {
		for _, doubting := range []bool{false, true} {
			tail, err := readTail(readFile(spoiled), doubting)
			if err != nil {
				t.Fatal(err)
			}
			if got := tail.told("/data/runs/zinc-1/x"); !got.Ended || got.Coulometer.Totals() != l.c.Totals() || got.Checkpoint == nil || (got.Doubt != nil) != (doubting && name == "the end damaged") {
				t.Errorf("%s, doubting %v: ended %v, %+v, doubt %+v", name, doubting, got.Ended, got.Coulometer.Totals(), got.Doubt)
			}
		}
		report, err := replayAll(newReader(readFile(spoiled), 4096), nil)
		if err != nil || !report.Ended || report.Totals != l.c.Totals() || len(report.Mismatches) != 0 {
			t.Errorf("%s: %+v, %v", name, report, err)
		}
	}
}
