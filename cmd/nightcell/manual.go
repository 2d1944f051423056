//go:build manual

package main

import (
	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// releaseCommands writes the manual. A program built for a release alone has it, so that what people run carries no typesetter.
func releaseCommands() []*cobra.Command {
	return []*cobra.Command{{
		Use:    "manual DIRECTORY",
		Short:  "Write a page of the manual for each command",
		Hidden: true,
		Args:   between(1, 1, "nightcell manual DIRECTORY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			root := cmd.Root()
			root.DisableAutoGenTag = true
			return doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "nightcell " + version(), Manual: "nightcell"}, args[0])
		},
	}}
}
