package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newDrillCommand(s *shell) *cobra.Command {
	r := &reach{}
	var asJSON bool
	var patience string
	cmd := &cobra.Command{
		Use:   "drill CELL",
		Short: "Send a marked test notice over every route and wait for proof of delivery",
		Long: "drill sends a test notice about CELL over every route at once, past quiet hours and escalation, and prints what\n" +
			"each far side said when it took it. Exit code 0 only if every route delivered. Do it before a night, and\n" +
			"look whether the notice really reached you: a server that took it is not yet a person who read it.",
		Example: "  nightcell drill zinc-1 --config nightcell.toml",
		Args:    between(1, 1, "nightcell drill CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			longest, err := parseSpan("--patience", patience)
			if err != nil {
				return err
			}
			if longest == 0 || longest > time.Hour {
				return usagef("--patience %s: a time above zero and up to one hour is needed, such as '2 min'", patience)
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), longest)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				receipts, err := c.Drill(ctx, control.CellOrder{Cell: args[0], By: r.who()})
				var p *control.Problem
				if errors.As(err, &p) && p.Status == http.StatusConflict { // refused: nothing is there to drill
					return usageError{err}
				}
				if err != nil {
					return err
				}
				return printDrill(s, receipts, asJSON)
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.Flags().StringVar(&patience, "patience", "2 min", "the longest `time` to wait for the daemon")
	return cmd
}

func printDrill(s *shell, receipts []control.Receipt, asJSON bool) error {
	delivered := 0
	for _, r := range receipts {
		if r.Delivered {
			delivered++
		}
	}
	if asJSON {
		if err := printJSON(s.out, map[string]any{"routes": receipts, "all_delivered": delivered == len(receipts) && delivered > 0}); err != nil {
			return err
		}
	} else {
		w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
		for _, r := range receipts {
			said := r.Proof
			state := "delivered"
			if !r.Delivered {
				state, said = "FAILED", r.Problem
			}
			fmt.Fprintf(w, "%s\t%s\t%.1f s\t%s\n", drivers.Plain(r.Route), state, r.TookSeconds, drivers.Plain(said))
		}
		if err := w.Flush(); err != nil {
			return err
		}
	}
	if delivered < len(receipts) {
		return fmt.Errorf("%d of %d routes did not prove delivery", len(receipts)-delivered, len(receipts))
	}
	return nil
}
