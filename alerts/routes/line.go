package routes

import (
	"strings"
	"time"
)

// lineOf is the one line that fits a lock screen: cell, what, since when, what first. Only the route knows the zone of its
// reader, so the beginning of an alarm is put into the subject there.
func lineOf(n Notice, now time.Time, zone *time.Location) string {
	if n.Kind != Alarm || n.Since.IsZero() || zone == nil {
		return n.Subject
	}
	layout := "15:04"
	if now.Sub(n.Since) > 20*time.Hour {
		layout = "Mon 15:04"
	}
	since := ", since " + n.Since.In(zone).Format(layout)
	if step := strings.LastIndex(n.Subject, ": "); step > strings.Index(n.Subject, ": ") {
		return n.Subject[:step] + since + n.Subject[step:]
	}
	return n.Subject + since
}
