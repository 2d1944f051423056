package main

import (
	"fmt"
	"io"

	"nightcell/daemon/late"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// besideJSON is what stands beside a log.
type besideJSON struct {
	Sound    bool            `json:"sound"`
	Entries  int             `json:"late_entries"` // that count
	Torn     int64           `json:"torn_bytes"`
	Damage   []runlog.Damage `json:"damage"`
	Problems []string        `json:"problems"`
}

// lookBeside checks the late entries of a run, and every photo that was copied in.
func lookBeside(run string, r *runlog.Report) (besideJSON, error) {
	b := besideJSON{Problems: []string{}}
	beside, err := runlog.ReadLate(run)
	if err != nil {
		return b, err
	}
	all, err := runlog.PersonsEntries(run)
	if err != nil {
		return b, err
	}
	b.Entries, b.Torn, b.Damage = len(runlog.Counting(beside.Records)), beside.TornBytes, append([]runlog.Damage{}, beside.Damage...)
	for i := range beside.Records {
		if cell := beside.Records[i].Cell; holdsRun(r) && cell != r.Cell {
			b.Problems = append(b.Problems, fmt.Sprintf("entry %s is one of cell %s", beside.Records[i].Name(), cell))
		}
	}
	b.Problems = append(b.Problems, late.CheckPhotos(run, all)...)
	b.Sound = len(b.Damage) == 0 && len(b.Problems) == 0
	return b, nil
}

func (b besideJSON) print(w io.Writer) {
	if b.Entries > 0 {
		fmt.Fprintf(w, "late\tentries beside the log that count: %d; nightcell enter CELL list shows them\n", b.Entries)
	}
	for _, d := range b.Damage {
		fmt.Fprintf(w, "late\tbytes %d to %d of %s: %s\n", d.From, d.To, runlog.LateName, d.Reason)
	}
	for _, problem := range b.Problems {
		fmt.Fprintf(w, "late\t%s\n", drivers.Plain(problem))
	}
	if b.Torn > 0 {
		fmt.Fprintf(w, "late\t%d bytes at the end of %s are not a whole entry; the next entry cuts them off\n", b.Torn, runlog.LateName)
	}
}
