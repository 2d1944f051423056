package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
)

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
		case "cell", "again":
			what = "CELL"
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
			for i := range cfg.Cells {
				names = append(names, cfg.Cells[i].Name)
			}
		}
	case "CONDITION":
		for _, condition := range alerts.Conditions() {
			names = append(names, condition.String())
		}
	case "KIND":
		for _, k := range control.EntryKinds() {
			names = append(names, k.Name+"\t"+k.About)
		}
		names = append(names, "list\tthe entries so far", runlog.EntryRetract+"\ttake an entry back", runlog.EntrySettle+"\tsay what a gap was")
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
	name, err := c.Flags().GetString("config")
	if err != nil || name == "" {
		return nil
	}
	if _, err := os.Stat(name); err != nil {
		return nil
	}
	cfg, err := configs.Load(name)
	if err != nil {
		return nil
	}
	return cfg
}
