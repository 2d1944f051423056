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
	Damage   []runlog.Damage `json:"damage"`
	Problems []string        `json:"photos"` // what is wrong with them
}

// lookBeside checks the late entries of a run, and every photo that was copied in.
func lookBeside(run string) (besideJSON, error) {
	beside, err := runlog.ReadLate(run)
	if err != nil {
		return besideJSON{}, err
	}
	all, err := runlog.PersonsEntries(run)
	if err != nil {
		return besideJSON{}, err
	}
	wrong := late.CheckPhotos(run, all)
	return besideJSON{beside.Sound() && len(wrong) == 0, len(runlog.Counting(beside.Records)), append([]runlog.Damage{}, beside.Damage...), append([]string{}, wrong...)}, nil
}

func (b besideJSON) print(w io.Writer) {
	if b.Entries > 0 {
		fmt.Fprintf(w, "late\tentries beside the log that count: %d; nightcell enter CELL list shows them\n", b.Entries)
	}
	for _, d := range b.Damage {
		fmt.Fprintf(w, "late\tbytes %d to %d of %s: %s\n", d.From, d.To, runlog.LateName, d.Reason)
	}
	for _, wrong := range b.Problems {
		fmt.Fprintf(w, "late\t%s\n", drivers.Plain(wrong))
	}
}
