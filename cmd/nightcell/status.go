package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
	"nightcell/integrate"
)

// askTime bounds a short question to a running daemon.
const askTime = 10 * time.Second

func newStatusCommand(s *shell) *cobra.Command {
	r := &reach{}
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "status [CELL]",
		Short: "Show where each cell of a running daemon stands",
		Example: "  nightcell status --config nightcell.toml\n" +
			"  nightcell status zinc-1 --json --config nightcell.toml",
		Args: between(0, 1, "nightcell status [CELL]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), askTime)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				cells, err := c.Status(ctx)
				if err != nil {
					return err
				}
				if len(args) == 1 {
					named := slices.DeleteFunc(slices.Clone(cells), func(c control.Cell) bool { return c.Name != args[0] })
					if len(named) == 0 {
						return usagef("there is no cell %q; the cells are %s", args[0], cellNames(cells))
					}
					cells = named
				}
				if asJSON {
					return printJSON(s.out, map[string]any{"cells": cells})
				}
				return printStatus(s.out, cells)
			})
		},
	}
	r.addReach(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

func cellNames(cells []control.Cell) string {
	names := make([]string, len(cells))
	for i, c := range cells {
		names[i] = c.Name
	}
	return fmt.Sprint(names)
}

// printStatus shows one cell a line.
func printStatus(to io.Writer, cells []control.Cell) error {
	w := tabwriter.NewWriter(to, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "cell\tstate\tcharge A·h\tof A·h\tV\tA\tdeposit g\treading\talarms")
	for _, c := range cells {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", drivers.Plain(c.Name), c.State,
			charge(c), figure(c.TargetCoulombs/3600, 2), figure(c.Volts, 3), figure(c.Amperes, 3),
			figure(c.DepositGrams, 2), age(c.ReadingAgeSeconds), alarmCount(c))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, c := range cells {
		if c.Unconfirmed == "" {
			continue
		}
		if _, err := fmt.Fprintf(to, "%s: an unconfirmed %s contradicts the books: target %s A·h with it, %s A·h without; the earlier acts\n",
			drivers.Plain(c.Name), drivers.Plain(c.Unconfirmed), figure(c.TargetWith/3600, 2), figure(c.TargetWithout/3600, 2)); err != nil {
			return err
		}
	}
	return nil
}

// figure is a number with so many decimals, or a dash when it is not known.
func figure(f quantity.Maybe, decimals int) string {
	if v := float64(f); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return fmt.Sprintf("%.*f", decimals, v)
	}
	return "-"
}

// charge is what was counted so far, in A·h with its expanded uncertainty, or a dash.
func charge(c control.Cell) string {
	if v := float64(c.ChargeCoulombs); math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	return quantity.WithDoubt(float64(c.ChargeCoulombs)/3600, integrate.CoverageFactor*float64(c.ChargeUncertainty)/3600)
}

func age(f quantity.Maybe) string {
	v := float64(f)
	if math.IsNaN(v) || v > 1e8 {
		return "none yet"
	}
	return timeWords(time.Duration(v*float64(time.Second)).Round(time.Second)) + " ago"
}

func alarmCount(c control.Cell) string {
	if c.Alarms == 0 {
		return "none"
	}
	return fmt.Sprintf("%d, %d unanswered", c.Alarms, c.Unanswered)
}
