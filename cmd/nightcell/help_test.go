package main

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
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
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if strings.Contains(f.Usage, "\n") {
				t.Errorf("%s --%s: a line ends in the text, which is folded to the terminal", path, f.Name)
			}
		})
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

// TestHelpFits: no line of any help is wider than the terminal, but a command, which is copied.
func TestHelpFits(t *testing.T) {
	for path := range helps() {
		var out strings.Builder
		root := newRootCommand(&shell{out: &out, err: &out})
		root.SetArgs(append(strings.Fields(path), "--help"))
		if err := root.Execute(); err != nil {
			continue // of a release alone
		}
		for line := range strings.Lines(fold(out.String(), 80)) {
			command := strings.HasPrefix(line, "  nightcell ") || strings.HasPrefix(line, "    --")
			if n := utf8.RuneCountInString(line) - 1; n > 80 && !command {
				t.Errorf("%s: %d columns: %s", path, n, line)
			}
		}
	}
}

func TestFold(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{ // in 28 columns
		{"fits", "twenty-eight columns of text\n", "twenty-eight columns of text\n"},
		{"paragraph", "a paragraph of more than thirty columns\n", "a paragraph of more than\nthirty columns\n"},
		{"no line end", "a paragraph of more than thirty columns", "a paragraph of more than\nthirty columns\n"},
		{"columns", "  note  the last column stands below\n", "  note  the last column\n        stands below\n"},
		{"item", "  - one of a list that goes on\n", "  - one of a list that goes\n    on\n"},
		{"mistake", "my.toml:3: there is no such key\n", "my.toml:3: there is no such\n           key\n"},
		{"command", "  nightcell check --config nightcell.toml\n", "  nightcell check --config nightcell.toml\n"},
		{"narrow", "a column that is wide  and another one\n", "a column that is wide\n      and another one\n"},
		{"narrow, below", "                      and another one\n", "      and another one\n"},
		{"no room", "a path/that/is/wider/than/it/all  b\n", "a path/that/is/wider/than/it/all  b\n"},
	} {
		if got := fold(c.text, 28); got != c.want {
			t.Errorf("%s: %q", c.name, got)
		}
	}
}
