package page

import (
	"strings"
	"time"

	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// handful is how many cells are shown each with its sentence. More are a table that one scans.
const handful = 6

func dense(cells []*snapshot.Cell) bool { return len(cells) > handful }

// denseRow is a cell in the table of all.
type denseRow struct {
	brief
	Trouble, Share, Target, Finish string
	volts, amperes                 string
}

// denseCell is one column of a row, whose unit stands in the head.
type denseCell struct {
	Key, Text string
	Number    bool
	Wide      bool // not on a narrow screen
}

// Cells are the columns after standing and name.
func (d denseRow) Cells() []denseCell {
	return []denseCell{
		{"trouble", d.Trouble, false, false}, {"share", d.Share, true, false}, {"target", d.Target, true, true}, {"volts", d.volts, true, true},
		{"amperes", d.amperes, true, true}, {"finish", d.Finish, true, true}, {"age", d.Age, true, true},
	}
}

func (p *Page) denseRow(c *snapshot.Cell, now time.Time) denseRow {
	d := denseRow{brief: p.brief(c, now), Finish: p.finish(c), Share: strings.TrimSuffix(percent(c.Charge.CountedCoulombs/c.Charge.TargetCoulombs, ""), "\u202f%"), Target: sentence.Figure(c.Charge.TargetCoulombs/3600, 4), volts: sentence.Unknown, amperes: sentence.Unknown}
	if !c.Reading.At.IsZero() {
		d.volts, d.amperes = sentence.Decimals(c.Reading.Volts, 3), sentence.Decimals(c.Reading.Amperes, 3)
	}
	var names []string
	for _, a := range sentence.ByUrgency(c.Alarms) {
		if !a.State.Hidden() {
			names = append(names, sentence.Name(a.Condition))
		}
	}
	if d.Trouble = strings.Join(names, ", "); names == nil && d.Standing != sentence.Well {
		d.Trouble = d.brief.Trouble
	}
	return d
}
