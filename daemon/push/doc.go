// Package push sends the lines of the run logs to a database that takes InfluxDB
// line protocol over HTTP. The log is the queue: a cursor for each cell says what
// the database has acknowledged, so an outage of hours is caught up with and
// nothing is lost. What is sent twice, because an answer was lost or nightcell was
// killed before it saved a cursor, overwrites itself: no two lines of a log share a
// time stamp. A database that keeps both must be told to drop duplicates.
package push
