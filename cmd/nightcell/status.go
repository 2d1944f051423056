package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts"
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
				cell := strings.Join(args, "") // one or none
				list, err := c.Alarms(ctx, cell)
				if err != nil {
					return err
				}
				cells = slices.DeleteFunc(cells, func(k control.Cell) bool { return cell != "" && k.Name != cell })
				countAlarms(cells, list)
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

// countAlarms counts those that count: not what a person has set aside, nor what is not judged now.
func countAlarms(cells []control.Cell, list []control.Alarm) {
	for i := range cells {
		c := &cells[i]
		c.Alarms, c.Unanswered = 0, 0
		for _, a := range list {
			var s alerts.State
			if a.Cell != c.Name || s.UnmarshalText([]byte(a.State)) == nil && s.Hidden() {
				continue
			}
			c.Alarms++
			if s.Unanswered() {
				c.Unanswered++
			}
		}
	}
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
