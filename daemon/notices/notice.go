// Package notices keeps a cell's notices in its run logs: they are written there, and read back by the cursors of
// the routes, because the log is the queue. It draws the hours before a notice from the same logs.
package notices

import (
	"fmt"
	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
	"sort"
	"strings"
	"time"
)

// valuePrefix marks the fields of a logged notice that are figures.
const valuePrefix = "value_"

// ID is the idempotency key of a notice; no two notices of a cell have the same utc.
func ID(cell string, utc time.Time) string { return fmt.Sprintf("%s-%d", cell, utc.UnixNano()) }

// Write writes a notice into the log with all its parts; Of reads it back.
func Write(w *runlog.Writer, n routes.Notice) error {
	extra := []runlog.Field{
		runlog.Text("state", n.State), runlog.Text("meaning", n.Meaning), runlog.Text("first", n.First),
		runlog.Text("acknowledge", n.Acknowledge), runlog.Text("supply", n.Supply),
	}
	if n.After != "" {
		extra = append(extra, runlog.Text("after", n.After))
	}
	if !n.Since.IsZero() {
		extra = append(extra, runlog.Integer("since", n.Since.UnixNano()))
	}
	names := make([]string, 0, len(n.Values))
	for name := range n.Values {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		extra = append(extra, runlog.Number(valuePrefix+name, n.Values[name]))
	}
	return w.Notice(n.At, runlog.Notice{
		ID: n.ID, Kind: string(n.Kind), Condition: n.Condition, Priority: n.Priority.String(), Subject: n.Subject, Text: n.Text,
	}, extra...)
}

// Of turns a log record of the kind notice back into the notice.
func Of(rec *runlog.Record) (routes.Notice, error) {
	priority, err := routes.ParsePriority(rec.Text("priority"))
	if err != nil {
		return routes.Notice{}, fmt.Errorf("notification %s in the log: %w", rec.Text("id"), err)
	}
	n := routes.Notice{
		ID: rec.Text("id"), Cell: rec.Cell, Supply: rec.Text("supply"), Kind: routes.Kind(rec.Text("kind")),
		Condition: rec.Text("condition"), After: rec.Text("after"), Priority: priority, State: rec.Text("state"), At: rec.Time(),
		Subject: rec.Text("subject"), Text: rec.Text("text"), Meaning: rec.Text("meaning"),
		First: rec.Text("first"), Acknowledge: rec.Text("acknowledge"),
	}
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
