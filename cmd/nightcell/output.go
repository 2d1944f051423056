package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
)

func newOffCommand(s *shell) *cobra.Command {
	return outputCommand(s, "off",
		"Switch a cell's output off and verify it",
		"off commands the output of CELL off and believes only what is read back: output state off, no current. The\n"+
			"configuration must allow it with may = [\"off\"]. Off is not the safe state of every metal: zinc and manganese\n"+
			"dissolve in their own acid when the current stops. nightcell never switches an output on.",
		(*control.Client).Off)
}

func newHoldCommand(s *shell) *cobra.Command {
	return outputCommand(s, "hold",
		"Lower a cell's current to its hold current and verify it",
		"hold lowers the current set-point of CELL to hold_current, never raising it, and reads it back. The\n"+
			"configuration must allow it with may = [\"hold\"]. It only buys time: somebody has to come.",
		(*control.Client).Hold)
}

// outputCommand is a command that acts on an output. The cell has to be named twice,
// so that a slip of the hand does not stop the wrong one.
func outputCommand(s *shell, name, short, long string, act func(*control.Client, context.Context, control.CellOrder) (control.Outcome, error)) *cobra.Command {
	r := &reach{}
	var confirm string
	cmd := &cobra.Command{
		Use:   name + " CELL --confirm CELL",
		Short: short,
		Long:  long,
		Args:  between(1, 1, "nightcell "+name+" CELL --confirm CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if confirm != args[0] {
				return usagef("name the cell once more to confirm: nightcell %s %s --confirm %s", name, args[0], args[0])
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Minute)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				out, err := act(c, ctx, control.CellOrder{Cell: args[0], By: r.who()})
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(s.out, "%s: %s, verified: %s\n", printable(args[0]), name, printable(out.Text))
				return err
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().StringVar(&confirm, "confirm", "", "the `cell` once more")
	return cmd
}
