// Package routes carries notices to people: it knows what a notice says, the
// ways it can travel (webhook, command, e-mail, MQTT, Alertmanager), and the
// outbox that keeps each way in order, tries again, repeats and escalates until
// somebody answers. It also sends the heartbeat whose silence is the last alarm.
//
// The queue of notices is not here: an Outbox reads them from a Source, which in
// the daemon is the run log, and keeps only a cursor of its own for each route.
package routes

import (
	"fmt"
	"maps"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightcell/alerts"
)

// Kind says what a notice is about.
type Kind string

// The kinds of notice. Alarm asks for a person; Cleared, Acknowledged and Quieted
// close an alarm of the same cell and condition, so that it is neither repeated
// nor escalated any more. Ended closes every alarm of its cell.
const (
	Alarm        Kind = "alarm"        // a condition holds and nobody has answered yet
	Cleared      Kind = "cleared"      // the condition holds no longer
	Acknowledged Kind = "acknowledged" // somebody has taken the alarm in hand
	Quieted      Kind = "quieted"      // shelved, suppressed by design, or taken out of service
	Milestone    Kind = "milestone"    // news that is no alarm; of the highest priority it goes over every route
	Ended        Kind = "ended"        // the run is over, and nobody can answer its alarms any more
	Drill        Kind = "drill"        // a test of the routes, marked as such
	Summary      Kind = "summary"      // of the night, once a day
)

// closes reports whether a notice of this kind ends the repeats of an alarm.
func (k Kind) closes() bool { return k == Cleared || k == Acknowledged || k == Quieted }

// Notice is one message about an alarm or a milestone, as a person needs it: what,
// since when, how bad, what it means, what to do first, how to answer.
type Notice struct {
	// ID is the idempotency key: the same notice sent twice carries the same ID.
	ID        string          `json:"id"`
	Cell      string          `json:"cell"`
	Supply    string          `json:"supply,omitempty"`
	Kind      Kind            `json:"kind"`
	Condition string          `json:"condition,omitempty"` // such as "over-current"
	After     string          `json:"after,omitempty"`     // the condition that already stood when this alarm came
	Priority  alerts.Priority `json:"priority"`
	State     string          `json:"state,omitempty"` // of the alarm, by IEC 62682: NORM, UNACK, ACKED, RTNUN ...

	At    time.Time `json:"at"`             // when the notice was written
	Since time.Time `json:"since,omitzero"` // when the condition began

	Subject     string `json:"subject"`               // one line
	Text        string `json:"text,omitempty"`        // cause and evidence
	Meaning     string `json:"meaning,omitempty"`     // what it means for the deposit
	First       string `json:"first,omitempty"`       // what to do first
	Acknowledge string `json:"acknowledge,omitempty"` // how to answer

	// Values are the figures behind the text in SI units, the unit last in the name, such as charge_coulombs.
	Values map[string]float64 `json:"values,omitempty"`
	Drill  bool               `json:"drill,omitempty"`

	// Thread is the ID of the notice that first told the alarm on this route, in those that follow
	// from it: reminders, answers, its end. The Outbox sets it.
	Thread string `json:"thread,omitempty"`
	// Sent is when an alarm that nobody answered is told once more, or for the first time on a route
	// that waits: Values and Picture are of then. Zero: they are of At. The Outbox sets it.
	Sent time.Time `json:"sent,omitzero"`
	// Repeat counts the reminders of an unanswered alarm on one route; 0 is the first telling. The Outbox sets it.
	Repeat int `json:"repeat,omitempty"`
	// Times is how often an alarm that comes and goes has been raised, 0 for the first time. The Outbox sets it.
	Times int `json:"times,omitempty"`
	// Link is the address of the alarm, or of the cell, on the page. The Outbox sets it.
	Link string `json:"link,omitempty"`
	// link makes the one for a person; nil: there is none.
	link func(person string) string
	// Delayed is how long the notice waited for its route, when that is worth saying. The Outbox sets it.
	Delayed time.Duration `json:"-"`
	// Picture is a PNG of the last hours, or nil. The Outbox sets it for routes that show pictures.
	Picture []byte `json:"-"`
}

// FoundPrefix begins the name of a value that an alarm was judged by, so that it is of when the alarm was raised.
const FoundPrefix = "found_"

// Age is how long the condition has held when the notice goes out, 0 where that is not known.
func (n Notice) Age() time.Duration {
	switch {
	case n.Sent.IsZero():
		return 0
	case n.Since.IsZero():
		return n.Sent.Sub(n.At)
	}
	return n.Sent.Sub(n.Since)
}

// asOf brings the figures of a notice up to date: now are those of this moment.
func (n Notice) asOf(sent time.Time, now map[string]float64) Notice {
	n.Sent = sent
	values := make(map[string]float64, len(n.Values)+len(now)+1)
	maps.Copy(values, n.Values)
	maps.DeleteFunc(values, func(name string, _ float64) bool { return strings.HasPrefix(name, FoundPrefix) })
	maps.Copy(values, now)
	values["alarm_age_seconds"] = max(0, n.Age().Seconds())
	n.Values = values
	return n
}

// subjectOf names what the notice is about: an alarm is one condition of one cell.
func (n *Notice) subjectOf() alarmKey { return alarmKey{Cell: n.Cell, Condition: n.Condition} }

// closes reports whether n closes an alarm.
func (n *Notice) closes(alarm Notice) bool {
	return n.Cell == alarm.Cell && (n.Kind == Ended || n.Kind.closes() && n.Condition == alarm.Condition)
}

type alarmKey struct{ Cell, Condition string }

// The longest line, link and text, in runes, that any route is asked to carry.
const (
	longestLine = 200
	longestLink = 2000
	longestText = 4000
)

// Clean returns the notice with every text made harmless: valid UTF-8, no control
// characters, no invisible marks that turn the direction of writing, lines and
// texts of bounded length, figures that are numbers. Names come from a
// configuration and texts from instruments, so neither is trusted. What is over asks
// for nothing that made sense only while it held, on whatever route.
func (n Notice) Clean() Notice {
	for _, line := range []*string{&n.ID, &n.Cell, &n.Supply, &n.Condition, &n.After, &n.State, &n.Subject, &n.Thread} {
		*line = oneLine(*line)
	}
	n.Kind, n.Link = Kind(oneLine(string(n.Kind))), harmless(n.Link, longestLink, false)
	for _, text := range []*string{&n.Text, &n.Meaning, &n.First, &n.Acknowledge} {
		*text = harmless(*text, longestText, true)
	}
	if n.Kind == Cleared {
		n.Meaning, n.First = "", ""
		if n.State != "RTNUN" && n.State != "LTUNK" {
			n.Acknowledge = "" // nobody waits for it
		}
	}
	values := finite(n.Values)
	for name := range values {
		if clean := oneLine(name); clean != name {
			values[clean] = values[name]
			delete(values, name)
		}
	}
	n.Values = values
	return n
}

// finite returns a copy without what is not a number, which JSON cannot carry.
func finite(values map[string]float64) map[string]float64 {
	kept := maps.Clone(values)
	maps.DeleteFunc(kept, func(_ string, v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
	return kept
}

// oneLine makes s fit for a header, a subject or a label: one bounded line.
func oneLine(s string) string { return strings.TrimSpace(harmless(s, longestLine, false)) }

// harmless bounds s to limit runes and replaces what must not be shown. Line feeds stay where lines are allowed.
func harmless(s string, limit int, lines bool) string {
	var b strings.Builder
	count := 0
	for _, r := range s {
		if count == limit {
			b.WriteString("…")
			break
		}
		switch {
		case r == '\n' && lines:
		case r == utf8.RuneError, unicode.IsControl(r), r == '\u2028', r == '\u2029':
			r = ' '
		case unicode.Is(unicode.Cf, r):
			continue // bidirectional overrides, zero-width characters, byte order marks
		}
		b.WriteRune(r)
		count++
	}
	return b.String()
}

// lineOf is the one line that fits a lock screen: cell, what, since when, what first. Only the route knows the zone of its
// reader, so the beginning of an alarm is put into the subject there.
func lineOf(n Notice, now time.Time, zone *time.Location) string {
	if n.Kind != Alarm {
		return n.Subject
	}
	since := ""
	if !n.Since.IsZero() && zone != nil {
		layout := "15:04"
		if now.Sub(n.Since) > 20*time.Hour {
			layout = "Mon 15:04"
		}
		since = ", since " + n.Since.In(zone).Format(layout)
	}
	if n.Times > 1 {
		since += fmt.Sprintf(", raised %d times", n.Times)
	}
	if step := strings.LastIndex(n.Subject, ": "); step > strings.Index(n.Subject, ": ") {
		return n.Subject[:step] + since + n.Subject[step:]
	}
	return n.Subject + since
}
