package main

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// licences is written by .ci/licences from the modules that are linked; a check there refuses one that is missing.
//
//go:embed licences.txt.gz
var licences []byte

func newLicencesCommand(s *shell) *cobra.Command {
	return &cobra.Command{
		Use:     "licences",
		Short:   "Print the licences of everything that this program contains",
		Long:    "Lists each module, font and script of others that is linked or embedded, with its licence, and prints every licence in full.",
		Example: "  nightcell licences | less",
		Args:    between(0, 0, "nightcell licences"),
		RunE: func(*cobra.Command, []string) error {
			text, err := gzip.NewReader(bytes.NewReader(licences))
			if err != nil {
				return fmt.Errorf("opening the licences: %w", err)
			}
			if _, err := io.Copy(s.out, text); err != nil {
				return fmt.Errorf("printing the licences: %w", err)
			}
			return nil
		},
	}
}

// build is what a program says of where it comes from.
type build struct {
	Version  string `json:"version"`
	Commit   string `json:"commit,omitempty"`
	Time     string `json:"commit_time,omitempty"`
	Modified bool   `json:"modified"` // something was not committed
	Go       string `json:"go"`
	System   string `json:"system"`
}

func buildOf(info *debug.BuildInfo) build {
	b := build{Version: "unknown", Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH}
	if info == nil {
		return b
	}
	if info.Main.Version != "" {
		b.Version = info.Main.Version
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.time":
			b.Time = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		case "GOARM":
			b.System += "v" + s.Value
		}
	}
	return b
}

// version is the module's, as the build recorded it.
func version() string {
	info, _ := debug.ReadBuildInfo()
	return buildOf(info).Version
}

func newVersionCommand(s *shell) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "Print which nightcell this is",
		Long:    "Prints the version, the commit that it was built from, the Go that built it and the system that it was built for.",
		Example: "  nightcell version --json",
		Args:    between(0, 0, "nightcell version"),
		RunE: func(*cobra.Command, []string) error {
			info, _ := debug.ReadBuildInfo()
			b := buildOf(info)
			if asJSON {
				return printJSON(s.out, b)
			}
			fmt.Fprintf(s.out, "nightcell %s\n", b.Version)
			if b.Commit != "" {
				fmt.Fprintf(s.out, "commit    %s of %s", b.Commit, b.Time)
				if b.Modified {
					fmt.Fprint(s.out, ", and something that was not committed")
				}
				fmt.Fprintln(s.out)
			}
			fmt.Fprintf(s.out, "built by  %s for %s\n", b.Go, b.System)
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
