// Package daemon is the supervisor: it makes the watches over the cells of a configuration, serves page, metrics and
// control socket, carries notices and pushes, reloads, and shuts all of it down in order.
package daemon
