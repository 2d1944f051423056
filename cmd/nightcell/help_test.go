package main

import (
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
)

// TestHelp: help.toml reads without a key that nobody asks for, and has a use, and a line of each command.
func TestHelp(t *testing.T) {
	all := helps()
	meta, err := toml.Decode(helpText, &all)
	if err != nil || len(meta.Undecoded()) > 0 {
		t.Fatalf("help.toml: %v, unknown %v", err, meta.Undecoded())
	}
	seen := map[string]bool{"manual": true} // of a release alone
	var walk func(path string, c *cobra.Command)
	walk = func(path string, c *cobra.Command) {
		h, found := all[path]
		if seen[path] = true; !found || !strings.HasPrefix(h.Use, c.Name()) || h.Short == "" || len(h.Args) > 2 {
			t.Errorf("%q has no help of its own: %+v", path, h)
		}
		for _, sub := range c.Commands() {
			walk(path+" "+sub.Name(), sub)
		}
	}
	for _, c := range commands(&shell{}) {
		walk(c.Name(), c)
	}
	for path := range all {
		if !seen[path] {
			t.Errorf("help.toml has %q, and there is no such command", path)
		}
	}
}
