package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	_ "embed"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
)

// licences is written by .ci/licences from the modules that are linked; a check there refuses one that is missing.
//
//go:embed licences.txt.gz
var licences []byte

func newLicencesCommand(s *shell) *cobra.Command {
	return newCommand("licences", func(*cobra.Command, []string) error {
		text, err := gzip.NewReader(bytes.NewReader(licences))
		if err != nil {
			return fmt.Errorf("opening the licences: %w", err)
		}
		if _, err := io.Copy(s.out, text); err != nil {
			return fmt.Errorf("printing the licences: %w", err)
		}
		return nil
	})
}

// built is what the build recorded of this program.
func built() (version string, settings map[string]string) {
	settings = map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		version = info.Main.Version
		for _, s := range info.Settings {
			settings[s.Key] = s.Value
		}
	}
	return cmp.Or(version, "unknown"), settings
}

// version is the module's.
func version() string {
	v, _ := built()
	return v
}

func newVersionCommand(s *shell) *cobra.Command {
	return newCommand("version", func(*cobra.Command, []string) error {
		version, recorded := built()
		text := "nightcell " + version + "\n"
		if commit := recorded["vcs.revision"]; commit != "" {
			modified := map[string]string{"true": ", and something that was not committed"}[recorded["vcs.modified"]]
			text += fmt.Sprintf("commit    %s of %s%s\n", commit, recorded["vcs.time"], modified)
		}
		text += fmt.Sprintf("built by  %s for %s/%s", runtime.Version(), runtime.GOOS, runtime.GOARCH)
		if arm := recorded["GOARM"]; arm != "" {
			text += "v" + arm
		}
		_, err := fmt.Fprintln(s.out, text)
		return err
	})
}

// choice is what a line of use says of an argument that flags can stand for: (CELL | --bath NAME).
var choice = regexp.MustCompile(`\(([A-Z]+) \|[^)]*\)`)

// complete gives the shell the names that stand in a command's line of use: CELL, CONDITION, KIND, RUN and NAME, and what flags of
// those names take. Cells, runs and ledgers are those of the configuration or the data directory that the command line names already.
func complete(c *cobra.Command) {
	form := strings.Fields(choice.ReplaceAllString(c.Use, "$1"))[1:]
	c.ValidArgsFunction = func(c *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		words := form
		if c.Flags().Changed("bath") || c.Flags().Changed("electrode") {
			words = words[1:] // the flag stands for the cell
		}
		if len(args) < len(words) {
			return named(c, strings.Trim(words[len(args)], "[]"))
		}
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		what := ""
		switch f.Name {
		case "config", "scenario":
			f.Annotations = map[string][]string{cobra.BashCompFilenameExt: {"toml"}}
		case "data":
			f.Annotations = map[string][]string{cobra.BashCompSubdirsInDir: {}}
		case "cell", "confirm":
			if word, _ := pflag.UnquoteUsage(f); f.Name == "cell" || word == "cell" {
				what = "CELL"
			}
		case "run":
			what = "NAME-OF-RUN"
		case "bath", "electrode":
			what = f.Name
		}
		if what != "" {
			// It fails only where a flag is registered twice, and then the first stays.
			_ = c.RegisterFlagCompletionFunc(f.Name, func(c *cobra.Command, _ []string, _ string) ([]string, cobra.ShellCompDirective) {
				return named(c, what)
			})
		}
	})
	for _, sub := range c.Commands() {
		complete(sub)
	}
}

// named lists what can stand for a word of a line of use.
func named(c *cobra.Command, word string) (names []string, how cobra.ShellCompDirective) {
	how = cobra.ShellCompDirectiveNoFileComp
	if parent := c.Parent(); word == "NAME" && parent != nil {
		word = parent.Name() // show NAME below bath
	}
	switch word {
	case "bath", "electrode":
		names, _ = ledger.Names(dataOf(c), ledger.Kind(word)) // a completion says no mistakes
	case "CELL":
		if cfg := configured(c); cfg != nil {
			names = cfg.CellNames()
		}
	case "CONDITION":
		for _, condition := range alerts.Conditions() {
			names = append(names, condition.String())
		}
	case "KIND":
		for _, k := range control.EntryKinds() {
			names = append(names, k.Name+"\t"+k.About)
		}
		names = append(names, "list\tthe entries so far", runlog.EntryRetract+"\ttake an entry back")
	case "NAME-OF-RUN":
		runs, _ := filepath.Glob(filepath.Join(dataOf(c), "runs", "*", "*", runlog.LogName))
		for _, run := range runs {
			names = append(names, filepath.Base(filepath.Dir(run)))
		}
	case "RUN":
		how = cobra.ShellCompDirectiveFilterDirs
	case "FILE.csv":
		names, how = []string{"csv"}, cobra.ShellCompDirectiveFilterFileExt
	}
	return names, how
}

// dataOf is the data directory that the command line names, by itself or by its configuration.
func dataOf(c *cobra.Command) string {
	if data, err := c.Flags().GetString("data"); err == nil && data != "" {
		return data
	}
	if cfg := configured(c); cfg != nil {
		return cfg.Data
	}
	return "."
}

// configured is the configuration that the command line names, nil without a readable one: a completion says no mistakes.
func configured(c *cobra.Command) *configs.Config {
	name, _ := c.Flags().GetString("config")
	cfg, _ := configs.Load(name)
	return cfg
}
