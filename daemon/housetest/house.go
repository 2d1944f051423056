// Package housetest is what the tests of every room share. Tests alone import it.
package housetest

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"strconv"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// UnderRace is the first value under the race detector, and the second without it. The detector makes everything about ten times as slow as in the
// field and has nothing to find in what one goroutine repeats: that is thinned under it, and runs in full without it.
func UnderRace[T any](under, without T) T {
	if Raced {
		return under
	}
	return without
}

// Thinned is how often to repeat what one goroutine does: n times, or a tenth of it under the race detector.
func Thinned(n int) int { return UnderRace(max(1, n/10), n) }

// Flags gives flags of the test program values of a package's own, unless its command line has them. It is for TestMain.
func Flags(ours map[string]string) {
	flag.Parse()
	flag.Visit(func(f *flag.Flag) { delete(ours, f.Name) })
	for name, value := range ours {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
}

// Properties lets properties be tried by a tenth of the usual hundred examples under the race detector. It is for TestMain.
func Properties() { Flags(map[string]string{"rapid.checks": strconv.Itoa(Thinned(100))}) }

// FreePort is a port of the loopback that nobody listens on. It lies below those that systems give away by themselves, so that nobody else gets it
// before the server that it is for.
func FreePort() int {
	for {
		port := 20_000 + rand.IntN(12_000)
		if l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			_ = l.Close() // nobody came
			return port
		}
	}
}

// RawTerminal opens a pseudo-terminal that changes no byte, until the end of the test.
func RawTerminal(t testing.TB) (master, slave *os.File) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = slave.Close(), master.Close() }) // nothing was written to either
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	return master, slave
}
