// Package watchtest is the bench that the watch is tested on: a simulated supply in virtual time, the configuration of
// a cell, and waiting for what is meant. Tests alone import it.
package watchtest
