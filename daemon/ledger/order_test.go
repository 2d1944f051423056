package ledger

import (
	"slices"
	"testing"

	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// TestLinesInOrder: an entry stands where its time puts it, before a run that ended later, but never behind what began anew:
// the opening of a ledger, a run that opened it, or its end. Runs and openings stay where they were written.
func TestLinesInOrder(t *testing.T) {
	at := func(hour int64) int64 { return monday.UnixNano() + hour*3600e9 }
	line := func(kind, name string, hour int64, fields ...runlog.Field) runlog.Record {
		return runlog.Record{Nanos: at(hour), Fields: append(fields, runlog.Text("kind", kind), runlog.Text("called", name))}
	}
	run := func(name string, ended int64, opens bool) runlog.Record {
		return line(lineRun, name, ended, runlog.Integer("ended", at(ended)), runlog.Flag(opensFlag, opens))
	}
	early := func(hour int64) runlog.Record { return line(bath.EntryAssay, "early", hour) }
	for name, test := range map[string]struct {
		lines []runlog.Record
		want  []string
	}{
		"before a run that ended later":        {[]runlog.Record{line(lineOpen, "open", 0), run("one", 4, false), run("two", 9, false), early(5)}, []string{"open", "one", "early", "two"}},
		"after a run that ended just then":     {[]runlog.Record{line(lineOpen, "open", 0), run("one", 4, false), early(4)}, []string{"open", "one", "early"}},
		"not before an opening":                {[]runlog.Record{line(lineOpen, "open", 3), early(2)}, []string{"open", "early"}},
		"not before a run that opened it":      {[]runlog.Record{run("one", 4, true), run("two", 9, false), early(2)}, []string{"one", "early", "two"}},
		"not before the end of a filling":      {[]runlog.Record{run("one", 4, true), line(lineClose, "close", 6), early(5)}, []string{"one", "close", "early"}},
		"a run stays, whatever its clock said": {[]runlog.Record{run("one", 9, true), run("two", 4, false)}, []string{"one", "two"}},
		"an opening stays":                     {[]runlog.Record{line(bath.EntryAssay, "late", 9), line(lineOpen, "open", 3)}, []string{"late", "open"}},
	} {
		var got []string
		for _, r := range inOrder(test.lines) {
			got = append(got, r.Text("called"))
		}
		if !slices.Equal(got, test.want) {
			t.Errorf("%s: %v; want %v", name, got, test.want)
		}
	}
}
