//go:build manual

package main

import (
	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// releaseCommands writes the manual. A program built for a release alone has it, so that what people run carries no typesetter.
func releaseCommands() []*cobra.Command {
	cmd := newCommand("manual", func(cmd *cobra.Command, args []string) error {
		root := cmd.Root()
		root.DisableAutoGenTag = true
		return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "nightcell " + version(), Manual: "nightcell"}, args[0])
	})
	cmd.Hidden = true
	return []*cobra.Command{cmd}
}
