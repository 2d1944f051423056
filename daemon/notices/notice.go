// Package notices keeps a cell's notices in its run logs: they are written there, and read back by the cursors of
// the routes, because the log is the queue. It draws the hours before a notice from the same logs.
package notices

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
)

// valuePrefix marks the fields of a logged notice that are figures.
const valuePrefix = "value_"

// ID is the idempotency key of a notice; no two notices of a cell have the same utc.
func ID(cell string, utc time.Time) string { return fmt.Sprintf("%s-%d", cell, utc.UnixNano()) }

// named ties the name of a logged notice's field to its place, so that writing and reading cannot differ.
type named struct {
	key string
	at  *string
}

// texts are in the order of the line. priority is in words.
func texts(n *routes.Notice, priority *string) []named {
	return []named{
		{"id", &n.ID}, {"kind", (*string)(&n.Kind)}, {"condition", &n.Condition}, {"priority", priority}, {"subject", &n.Subject}, {"text", &n.Text},
		{"state", &n.State}, {"meaning", &n.Meaning}, {"first", &n.First}, {"acknowledge", &n.Acknowledge}, {"supply", &n.Supply},
	}
}

// Write writes a notice into the log with all its parts; Of reads it back.
func Write(w *runlog.Writer, n routes.Notice) error {
	var fields []runlog.Field
	priority := n.Priority.String()
	for _, t := range texts(&n, &priority) {
		fields = append(fields, runlog.Text(t.key, *t.at))
	}
	if n.After != "" {
		fields = append(fields, runlog.Text("after", n.After))
	}
	if !n.Since.IsZero() {
		fields = append(fields, runlog.Integer("since", n.Since.UnixNano()))
	}
	for _, name := range slices.Sorted(maps.Keys(n.Values)) {
		fields = append(fields, runlog.Number(valuePrefix+name, n.Values[name]))
	}
	return w.Notice(n.At, fields...)
}

// Of turns a log record of the kind notice back into the notice.
func Of(rec *runlog.Record) (n routes.Notice, err error) {
	var priority string
	for _, t := range texts(&n, &priority) {
		*t.at = rec.Text(t.key)
	}
	if err := n.Priority.UnmarshalText([]byte(priority)); err != nil {
		return n, fmt.Errorf("notification %s in the log: %w", n.ID, err)
	}
	n.Cell, n.After, n.At = rec.Cell, rec.Text("after"), rec.Time()
	if ns, ok := rec.Integer("since"); ok {
		n.Since = time.Unix(0, ns).UTC()
	}
	for _, f := range rec.Fields {
		name, ok := strings.CutPrefix(f.Key, valuePrefix)
		if v, isNumber := f.Value.(float64); ok && isNumber {
			if n.Values == nil {
				n.Values = make(map[string]float64)
			}
			n.Values[name] = v
		}
	}
	return n, nil
}
