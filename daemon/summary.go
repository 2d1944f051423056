package daemon

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
)

// summary tells how cells have fared since a moment, all of them for none; false if nothing was watched since.
func (d *Daemon) summary(cells []string, since time.Time) (n routes.Notice, ok bool) {
	var seen []*snapshot.Cell
	var lines, first []string
	waiting := 0 // alarms that nobody has answered
	for _, c := range d.posts() {
		s := c.Latest()
		switch {
		case len(cells) > 0 && !slices.Contains(cells, c.Name()), s == nil, s.Run == "" && len(s.Alarms) == 0:
			continue
		case s.Ended && s.Began.Add(s.Elapsed).Before(since) && len(s.Alarms) == 0:
			continue
		}
		seen = append(seen, s)
		lines = append(lines, sentence.Of(s, d.o.Clock.UTC(), time.Local).String())
		for _, a := range sentence.ByUrgency(s.Alarms) {
			if a.State.Unanswered() {
				waiting++
				first = append(first, fmt.Sprintf("%s, %s since %s: %s", s.Name, a.Condition, a.Since.In(time.Local).Format("15:04"), a.Action))
			}
		}
		if s.Charge.TargetReached && len(first) == 0 {
			first = append(first, s.Name+": Take the cathode out, rinse, dry and weigh it.")
		}
	}
	if len(seen) == 0 {
		return n, false
	}
	n = routes.Notice{Subject: fmt.Sprintf("summary of %d cells", len(seen)), Text: strings.Join(lines, "\n"), First: strings.Join(first, "\n")}
	if len(seen) == 1 {
		c := seen[0]
		n.Cell, n.Supply, n.Values = c.Name, c.Supply, d.present(c)
		n.Subject = fmt.Sprintf("%s: summary, %s of %s A·h", c.Name, sentence.Figure(c.Charge.CountedCoulombs/3600, 3), sentence.Figure(c.Charge.TargetCoulombs/3600, 3))
	}
	switch waiting {
	case 0:
		n.Subject += ", no alarm waits for you"
	case 1:
		n.Subject += ", 1 alarm waits for you"
	default:
		n.Subject += fmt.Sprintf(", %d alarms wait for you", waiting)
	}
	if waiting > 0 {
		n.Priority = routes.Medium
	}
	return n, true
}
