// Package push sends the lines of the run logs to a database that takes InfluxDB
// line protocol over HTTP. The log is the queue: a cursor for each cell says what
// the database has acknowledged, so an outage of hours is caught up with and
// nothing is lost.
//
// Databases acknowledge lines some seconds before they are durable. When requests
// begin to fail, and after nightcell was killed, sending goes back by half a minute at
// most. What is sent twice overwrites itself, because no two lines of a log share
// a time stamp; a database that keeps both must be told to drop duplicates.
package push
