// Package daemon keeps the watch: one goroutine for each cell polls its supply,
// counts the charge, writes the run log, judges the alarms and publishes a
// snapshot, in this order and with nothing slow in between. Whatever takes long
// (dashboards, notices, pages, pushes) reads the snapshot or the log instead.
package daemon
