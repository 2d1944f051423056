package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newOffCommand(s *shell) *cobra.Command {
	return outputCommand(s, "off",
		"Switch a cell's output off and verify it",
		"off commands the output of CELL off and believes only what is read back: output state off, no current. The\n"+
			"configuration must allow it with may = [\"off\"]. Off is not the safe state of every metal:\n"+
			"nightcell plan says what the deposit of your cell does when the current stops. nightcell never switches\n"+
			"an output on.",
		"  nightcell off zinc-1 --again zinc-1 --config nightcell.toml\n"+
			"  nightcell off zinc-1 --again zinc-1 --by \"night shift\" --json --config nightcell.toml",
		(*control.Client).Off)
}

func newHoldCommand(s *shell) *cobra.Command {
	return outputCommand(s, "hold",
		"Lower a cell's current to its hold current and verify it",
		"hold lowers the current set-point of CELL to hold_current, never raising it, and reads it back. The\n"+
			"configuration must allow it with may = [\"hold\"]. It only buys time: somebody has to come.",
		"  nightcell hold zinc-1 --again zinc-1 --config nightcell.toml",
		(*control.Client).Hold)
}

// outputCommand is a command that acts on an output. The cell has to be named twice,
// so that a slip of the hand does not stop the wrong one.
func outputCommand(s *shell, name, short, long, example string, act func(*control.Client, context.Context, control.CellOrder) (control.Outcome, error)) *cobra.Command {
	r := &reach{}
	var again string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     name + " CELL --again CELL",
		Short:   short,
		Long:    long,
		Example: example,
		Args:    between(1, 1, "nightcell "+name+" CELL --again CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if again != args[0] {
				return usagef("name the cell once more: nightcell %s %s --again %s", name, args[0], args[0])
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Minute)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				out, err := act(c, ctx, control.CellOrder{Cell: args[0], By: r.who()})
				if err != nil {
					return err
				}
				if asJSON {
					return printJSON(s.out, map[string]any{"cell": args[0], "act": name, "verified": out.Verified, "text": out.Text})
				}
				_, err = fmt.Fprintf(s.out, "%s: %s, verified: %s\n", drivers.Plain(args[0]), name, drivers.Plain(out.Text))
				return err
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().StringVar(&again, "again", "", "the `cell` once more")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
