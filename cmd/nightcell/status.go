package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
)

// askTime bounds a short question to a running daemon.
const askTime = 10 * time.Second

func newStatusCommand(s *shell) *cobra.Command {
	r := &reach{}
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "status",
		Short:   "Show where each cell of a running daemon stands",
		Example: "  nightcell status --config nightcell.toml",
		Args:    between(0, 0, "nightcell status"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), askTime)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				cells, err := c.Status(ctx)
				if err != nil {
					return err
				}
				if asJSON {
					return printJSON(s.out, map[string]any{"cells": cells})
				}
				return printStatus(s.out, cells)
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

// printStatus shows one cell a line.
func printStatus(to io.Writer, cells []control.Cell) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "cell\tstate\tcharge A·h\tof A·h\tV\tA\tdeposit g\treading\talarms")
	for _, c := range cells {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", printable(c.Name), c.State,
			figure(c.ChargeCoulombs/3600, 3), figure(c.TargetCoulombs/3600, 2), figure(c.Volts, 3), figure(c.Amperes, 3),
			figure(c.DepositGrams, 2), age(c.ReadingAgeSeconds), alarmCount(c))
	}
	return w.Flush()
}

// figure is a number with so many decimals, or a dash when it is not known.
func figure(f control.Figure, decimals int) string {
	if v := float64(f); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return fmt.Sprintf("%.*f", decimals, v)
	}
	return "-"
}

func age(f control.Figure) string {
	v := float64(f)
	if math.IsNaN(v) || v > 1e8 {
		return "none yet"
	}
	return time.Duration(v*float64(time.Second)).Round(time.Second).String() + " ago"
}

func alarmCount(c control.Cell) string {
	if c.Alarms == 0 {
		return "none"
	}
	return fmt.Sprintf("%d, %d unanswered", c.Alarms, c.Unanswered)
}
