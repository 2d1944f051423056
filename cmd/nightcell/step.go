package main

import (
	"context"
	"fmt"
	"regexp"
	"strconv"

	"github.com/spf13/cobra"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

var shareFigure = regexp.MustCompile(`\b0\.[0-9]+\b`)

// percent writes a share, such as 0.05, as people do.
func percent(share string) string {
	v, err := strconv.ParseFloat(share, 64)
	if err != nil {
		return share
	}
	return fmt.Sprintf("%.4g %%", 100*v)
}

func newStepCommand(s *shell) *cobra.Command {
	r := &reach{}
	var down string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "step CELL",
		Short: "Lower a cell's current a little, once, to tell resistance from other causes of a rise",
		Long: "step lowers the current set-point of CELL by a small share and reads what the volts do. The resistance that\n" +
			"follows tells whether a rise since the last step is ohmic (level, diaphragm, contact) or not (an electrode, an\n" +
			"empty bath). The configuration must allow it with may = [\"step\"]. It only goes down: the current stays there\n" +
			"until a person raises it at the supply, because nightcell never raises a set-point. The result goes into the run log.",
		Example: "  nightcell step zinc-1 --down \"5 %\" --config nightcell.toml",
		Args:    between(1, 1, "nightcell step CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			share, err := quantity.Parse(quantity.Fraction, down)
			if err != nil {
				return usagef("--down: %w", err)
			}
			if !(share > 0 && share < 1) {
				return usagef("--down %s: it lies between 0 %% and 100 %% of the set-point", down)
			}
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				out, err := c.Step(ctx, control.StepOrder{CellOrder: control.CellOrder{Cell: args[0], By: r.who()}, Share: share})
				if control.IsMistake(err) { // the daemon speaks of shares
					return usageError{&spoken{shareFigure.ReplaceAllStringFunc(err.Error(), percent), err}}
				}
				if err != nil {
					return err
				}
				if asJSON {
					return printJSON(s.out, out)
				}
				_, err = fmt.Fprintln(s.out, drivers.Plain(out.Text))
				return err
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().StringVar(&down, "down", "5 %", "`share` of the set-point by which the current is lowered")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}
