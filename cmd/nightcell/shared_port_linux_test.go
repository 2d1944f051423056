package main

import (
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

func init() { programs["take-port"] = takePort }

// takePort opens a serial port as a program does that knows nothing of locks, takes whatever it can get for five seconds, rests
// for four, and begins again, until it is killed.
func takePort() {
	fd, err := unix.Open(os.Args[1], unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Fprintln(os.Stderr, "the port is open")
	b := make([]byte, 256)
	for range time.Tick(9 * time.Second) {
		for until := time.Now().Add(5 * time.Second); time.Now().Before(until); {
			_, _ = unix.Read(fd, b) // never blocks; what it gets is what the watch loses
		}
	}
}
