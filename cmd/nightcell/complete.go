package main

import (
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
)

// complete gives the shell the names that stand in a command's line of use: CELL, CONDITION, KIND and RUN, and what flags of
// those names take. Cells and runs are those of the configuration that the command line names already.
func complete(c *cobra.Command) {
	form := strings.Fields(c.Use)
	c.ValidArgsFunction = func(c *cobra.Command, args []string, _ string) ([]string, cobra.ShellCompDirective) {
		if len(args)+1 < len(form) {
			return named(c, strings.Trim(form[len(args)+1], "[]"))
		}
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		switch f.Name {
		case "config", "scenario":
			f.Annotations = map[string][]string{cobra.BashCompFilenameExt: {"toml"}}
		case "data":
			f.Annotations = map[string][]string{cobra.BashCompSubdirsInDir: {}}
		case "cell", "again", "run":
			what := map[string]string{"cell": "CELL", "again": "CELL", "run": "NAME-OF-RUN"}[f.Name]
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
	switch word {
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
		if cfg := configured(c); cfg != nil {
			runs, _ := filepath.Glob(filepath.Join(cfg.Data, "runs", "*", "*", runlog.LogName))
			for _, run := range runs {
				names = append(names, filepath.Base(filepath.Dir(run)))
			}
		}
	case "RUN":
		how = cobra.ShellCompDirectiveFilterDirs
	case "FILE.csv":
		names, how = []string{"csv"}, cobra.ShellCompDirectiveFilterFileExt
	}
	return names, how
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
