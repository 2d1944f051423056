// Package notices keeps a cell's notices in its run logs: they are written there, and read back by the cursors of
// the routes, because the log is the queue. It draws the hours before a notice from the same logs.
package notices
