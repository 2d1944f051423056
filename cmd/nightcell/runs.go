package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/integrate"
)

// dataFlags are the flags that say where the runs are.
type dataFlags struct{ data, config string }

func (d *dataFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&d.data, "data", "", "data `directory`")
	cmd.Flags().StringVar(&d.config, "config", "", "configuration `file` that names the data directory")
}

// read returns the data directory, and the configuration if one is named.
func (d *dataFlags) read() (string, *configs.Config, error) {
	if d.config == "" {
		if d.data == "" {
			return "", nil, usagef("say where the runs are: --data DIRECTORY or --config FILE")
		}
		return d.data, nil, nil
	}
	c, err := configs.Load(d.config)
	if err != nil {
		return "", nil, usageError{err}
	}
	if d.data == "" {
		d.data = c.Data
	}
	return d.data, c, nil
}

func newRunsCommand(s *shell) *cobra.Command {
	var where dataFlags
	var f books.Filter
	var since, until string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "runs",
		Short:   "List the runs of a data directory",
		Long:    "Lists runs with their charge, the oldest first. What was entered after a run ended is named by its kinds.",
		Example: "  nightcell runs --config nightcell.toml --cell zinc-1 --since 2026-01-01",
		Args:    between(0, 0, "nightcell runs --config FILE"),
		RunE: func(*cobra.Command, []string) error {
			data, _, err := where.read()
			if err != nil {
				return err
			}
			for _, limit := range []struct {
				flag, text string
				into       *time.Time
			}{{"since", since, &f.Since}, {"until", until, &f.Until}} {
				if limit.text == "" {
					continue
				}
				if *limit.into, err = books.ParseTime(limit.text); err != nil {
					return usagef("--%s: %w", limit.flag, err)
				}
			}
			runs, err := books.List(data, f)
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(s.out, map[string]any{"runs": append([]books.Listed{}, runs...)})
			}
			w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "CELL\tBEGUN (UTC)\tLASTED\tCHARGE, A·h\tSTATE\tENTERED AFTERWARDS\tRUN")
			for _, r := range runs {
				state := "open"
				if r.Ended {
					state = "ended"
				}
				if r.Problem != "" {
					state = r.Problem
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.Cell, r.Began.Format(time.DateTime), timeWords(time.Duration(r.Elapsed*1e9).Round(time.Minute)),
					quantity.WithDoubt(r.Charge/3600, integrate.CoverageFactor*r.Uncertainty/3600), state, strings.Join(r.Late, ", "), filepath.Clean(r.Directory))
			}
			return w.Flush()
		},
	}
	where.add(cmd)
	cmd.Flags().StringVar(&f.Cell, "cell", "", "only runs of the cell of this `name`")
	cmd.Flags().StringVar(&since, "since", "", "only runs begun at or after this `time`, such as 2026-01-01 or 2026-01-10T20:00:00Z")
	cmd.Flags().StringVar(&until, "until", "", "only runs begun before this `time`")
	cmd.Flags().BoolVar(&f.Open, "open", false, "only runs that have not ended")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
