package books

import (
	"io"
	"slices"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/account"
	"nightcell/integrate/bath"
)

// gather streams log and late entries into the account's run, in constant memory, and returns where the count ends once late
// corrections are made.
func (b *Books) gather(runDir string, seen io.Writer) (*account.Run, integrate.Totals, error) {
	run, persons := new(account.Run), []runlog.Record(nil)
	followed, mark := make(map[string]bool), "" // late entries whose correction the watch wrote into the log, where a newer one may stand behind it
	var replay *runlog.Replay
	var err error
	b.Log, err = runlog.ReplayEach(runDir, func(r *runlog.Record, p *runlog.Replay) error {
		replay = p
		number := func(key string) float64 {
			x, _ := r.Number(key)
			return x
		}
		before := mark // of the line before
		if mark = ""; r.Kind == runlog.KindEntry {
			switch r.Text("kind") {
			case "followed":
				mark = r.Text(runlog.RetractedEntry)
			case runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle:
				followed[before] = true
			}
		}
		switch r.Kind {
		case runlog.KindReading:
			run.Reading(r.Nanos, r.Step, r.Volts, r.Amperes, r.Output == "off")
		case runlog.KindGap:
			length, _ := r.Integer("length")
			index, _ := r.Integer("index")
			run.Gap(account.Gap{Index: index, Kind: r.Text("kind"), From: r.Nanos - length, To: r.Nanos, Low: number("low"), Best: number("best"), High: number("high")})
		case runlog.KindAlarm:
			run.Alarm(r.Nanos, r.Condition, r.Text("state"), r.Text("priority"), r.Text("text"), r.Text("by"))
		case runlog.KindOutput:
			run.Act(account.Act{At: r.Nanos, Action: r.Text("action"), Outcome: r.Text("outcome"), Text: r.Text("text")})
		case runlog.KindEntry:
			b.imported = b.imported || imported(r)
			if r.Text("kind") == runlog.EntrySettle {
				index, _ := r.Integer("index")
				run.Settle(index, number("low"), number("best"), number("high"))
			} else if r.Text("by") != "" {
				kept := *r
				kept.Fields = slices.Clone(r.Fields)
				persons = append(persons, kept)
			}
		}
		return nil
	}, seen)
	if err != nil {
		return nil, integrate.Totals{}, err
	}
	if b.Late, err = runlog.ReadLate(runDir); err != nil {
		return nil, integrate.Totals{}, err
	}
	for _, r := range runlog.Counting(append(persons, b.Late.Records...)) {
		e := control.EntryOf(&r)
		run.Entries = append(run.Entries, account.Entry{Entry: e.Booking(), At: e.At.UnixNano(), Text: e.Text, Outcome: bath.Outcome(r.Text("outcome"))})
	}
	totals := b.Log.Totals
	if replay != nil && replay.Coulometer != nil {
		for _, r := range runlog.Counting(b.Late.Records) {
			if !followed[r.Name()] && r.Correct(replay.Coulometer) == nil {
				totals = replay.Coulometer.Totals()
			}
		}
	}
	return run, totals, nil
}
