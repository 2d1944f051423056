//go:build !manual

package main

import "github.com/spf13/cobra"

// releaseCommands are those that only the making of a release needs.
func releaseCommands() []*cobra.Command { return nil }
