package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newBeginCommand(s *shell) *cobra.Command {
	r := &reach{}
	var confirmed []string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "begin CELL --confirm leads,level,ventilation,containment",
		Short: "Pre-flight: check whether a run may be left alone, and write down that it was",
		Long: "begin is the pre-flight before nobody is in the room. It refuses until the supply's own protections are read\n" +
			"back at or under the configured limits, the reading is sane, a zero was taken, a route has lately proved that it\n" +
			"delivers (nightcell drill), no urgent alarm stands, and you have confirmed what only a person at the cell can\n" +
			"see: leads, level, ventilation and containment. What was confirmed is kept in the run log.\n\n" +
			"It switches nothing on, and it makes nothing safe: current limit, over-voltage trip, timer, fuse, containment\n" +
			"and ventilation must hold without nightcell. Keep to your local code and the rules of your house.",
		Example: "  nightcell begin zinc-1 --confirm leads,level,ventilation,containment --config nightcell.toml",
		Args:    between(1, 1, "nightcell begin CELL --confirm leads,level,ventilation,containment"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for i, word := range confirmed {
				if confirmed[i] = strings.TrimSpace(word); !slices.Contains(confirmable(), confirmed[i]) {
					return usagef("--confirm %q: what can be confirmed is %s", word, strings.Join(confirmable(), ", "))
				}
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Minute)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				checks, err := c.Begin(ctx, control.BeginOrder{Cell: args[0], By: r.who(), Confirmed: confirmed})
				if printErr := printChecks(s, args[0], checks, asJSON, err == nil); printErr != nil {
					return printErr
				}
				return err
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().StringSliceVar(&confirmed, "confirm", nil, "what you have looked at: `leads,level,ventilation,containment`")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

// confirmable are the things that only a person at the cell can see.
func confirmable() []string { return []string{"leads", "level", "ventilation", "containment"} }

// printChecks shows each check, one a line.
func printChecks(s *shell, cell string, checks []control.Check, asJSON, cleared bool) error {
	for i := range checks {
		checks[i].Text = inWords(checks[i].Text)
	}
	if asJSON {
		return printJSON(s.out, map[string]any{"cleared": cleared, "checks": checks})
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, k := range checks {
		state := "ok"
		if !k.OK {
			state = "open"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", state, k.Name, strings.TrimSpace(drivers.Plain(k.Text)))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if slices.ContainsFunc(checks, func(k control.Check) bool { return k.Name == "zero" && !k.OK }) {
		fmt.Fprintf(s.out, "A zero is entered as: nightcell enter %s zero \"current=2 mA\" \"uncertainty=1 mA\", with what the meter reads while no current flows.\n", drivers.Plain(cell))
	}
	if cleared {
		fmt.Fprintln(s.out, "cleared for an unattended run; nightcell remains a watcher, not a safety device")
	}
	return nil
}
