package linecharge

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// TestMain keeps the ordinary run short: five streams in each part, and eight tests side
// by side because they mostly wait, unless the flags say otherwise.
func TestMain(m *testing.M) {
	flag.Parse()
	ours := map[string]string{"rapid.checks": "5", "test.parallel": "8"}
	flag.Visit(func(f *flag.Flag) { delete(ours, f.Name) })
	for name, value := range ours {
		if err := flag.Set(name, value); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}
