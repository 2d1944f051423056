// Package watch keeps the watch over one cell: a loop asks the supply, hands what it says to the run, publishes
// the snapshot and uses the hands. It is the only place with a port and a context; what is counted, logged and
// judged is the run's, and whatever takes long (dashboards, notices, pages, pushes) reads the snapshot or the log.
package watch
