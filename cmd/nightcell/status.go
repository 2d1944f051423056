package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
	"nightcell/integrate"
)

func newStatusCommand(s *shell) *cobra.Command {
	r, asJSON := &reach{}, false
	cmd := newCommand("status", func(cmd *cobra.Command, args []string) error {
		return r.ask(cmd.Context(), longestQuestion, func(ctx context.Context, c *control.Operator) error {
			cells, err := c.Status(ctx)
			if err != nil {
				return err
			}
			if len(args) == 1 {
				var names []string
				for _, c := range cells {
					names = append(names, c.Name)
				}
				at := slices.Index(names, args[0])
				if at < 0 {
					return usagef("there is no cell %q; the cells are %v", args[0], names)
				}
				cells = cells[at : at+1]
			}
			return s.show(asJSON, map[string]any{"cells": cells}, func(w io.Writer) { printStatus(w, cells) })
		})
	})
	r.addReach(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return cmd
}

// printStatus shows one cell a line.
func printStatus(w io.Writer, cells []control.Cell) {
	fmt.Fprintln(w, "cell\tstate\tcharge A·h\tof A·h\tV\tA\tdeposit g\treading\talarms")
	for _, c := range cells {
		alarms := "none"
		if c.Alarms > 0 {
			alarms = fmt.Sprintf("%d, %d not acknowledged", c.Alarms, c.Unanswered)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", drivers.Plain(c.Name), c.State,
			charge(c), figure(c.TargetCoulombs/3600, 2), figure(c.Volts, 3), figure(c.Amperes, 3),
			figure(c.DepositGrams, 2), age(c.ReadingAgeSeconds), alarms)
	}
	for _, c := range cells { // lines without a tab stand as they are
		if c.Left != "" {
			fmt.Fprintf(w, "%s: the target is of the %s\n", drivers.Plain(c.Name), drivers.Plain(c.Left))
		}
		if m := float64(c.MeterCoulombs); m != 0 {
			fmt.Fprintf(w, "%s: the second meter measured %.3g %% of the charge; the rest is by the supply or in gaps\n", drivers.Plain(c.Name), 100*m/float64(c.ChargeCoulombs))
		}
		if u := float64(c.LeadUncertainty); u > 0 {
			fmt.Fprintf(w, "%s: leads of %s mΩ, measured\n", drivers.Plain(c.Name), quantity.WithDoubt(1e3*float64(c.LeadOhms), 1e3*integrate.CoverageFactor*u))
		}
		if c.Unconfirmed != "" {
			fmt.Fprintf(w, "%s: an unconfirmed %s contradicts the mass balance: target %s A·h with it, %s A·h without; the earlier applies\n",
				drivers.Plain(c.Name), drivers.Plain(c.Unconfirmed), figure(c.TargetWith/3600, 2), figure(c.TargetWithout/3600, 2))
		}
	}
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
	if v := float64(c.ChargeCoulombs); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return quantity.WithDoubt(v/3600, integrate.CoverageFactor*float64(c.ChargeUncertainty)/3600)
	}
	return "-"
}

func age(f quantity.Maybe) string {
	v := float64(f)
	if math.IsNaN(v) || v > 1e8 {
		return "none yet"
	}
	return timeWords(time.Duration(v*float64(time.Second)).Round(time.Second)) + " ago"
}

func newAlarmsCommand(s *shell) *cobra.Command {
	r, asJSON := &reach{}, false
	cmd := newCommand("alarms", func(cmd *cobra.Command, args []string) error {
		return r.ask(cmd.Context(), longestQuestion, func(ctx context.Context, c *control.Operator) error {
			list, err := c.Alarms(ctx, strings.Join(args, "")) // one cell, or none named
			if err != nil {
				return err
			}
			return s.show(asJSON, map[string]any{"alarms": append([]control.Alarm{}, list...)}, func(w io.Writer) { printAlarms(w, list) })
		})
	})
	r.addFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	for _, a := range []alarmAct{
		{name: "ack", done: "is acknowledged by %s", act: control.Acknowledge},
		{name: "shelve", done: "is shelved for %s", reason: true, length: true, act: control.Shelve},
		{name: "unshelve", done: "is back in service", act: control.Unshelve},
		{name: "reset", done: "is reset", act: control.Reset},
		{name: "out-of-service", done: "is out of service", reason: true, act: control.OutOfService},
		{name: "return", done: "is back in service", act: control.ReturnToService},
	} {
		cmd.AddCommand(a.command(s, r))
	}
	return cmd
}

// alarmAct is a command that does one thing to one alarm.
type alarmAct struct {
	name           string
	done           string // what is said afterwards: of the alarm, by whom or how long where there is a %s
	reason, length bool   // it needs a reason, and a time
	act            control.AlarmAct
}

// command makes the command of an act.
func (a alarmAct) command(s *shell, r *reach) *cobra.Command {
	var length, reason string
	cmd := newCommand("alarms "+a.name, func(cmd *cobra.Command, args []string) error {
		order := control.AlarmOrder{Act: a.act, Cell: args[0], Condition: args[1], By: r.who(), Reason: reason}
		if a.length {
			span, err := parseSpan("for", length, alerts.LongestShelf)
			if err != nil {
				return err
			}
			order.Seconds = span.Seconds()
		}
		if a.reason && reason == "" {
			return usagef("--reason: give the reason, for the next person")
		}
		return r.ask(cmd.Context(), longestAct, func(ctx context.Context, c *control.Operator) error {
			err := c.ChangeAlarm(ctx, order)
			if err == nil {
				done := strings.Replace(a.done, "%s", cmp.Or(length, drivers.Plain(order.By)), 1)
				_, err = fmt.Fprintf(s.out, "%s of %s %s\n", drivers.Plain(args[1]), drivers.Plain(args[0]), done)
			}
			return err
		})
	})
	if a.length {
		cmd.Flags().StringVar(&length, "for", "", "shelve for this `time`, such as \"2 h\"")
	}
	if a.reason {
		cmd.Flags().StringVar(&reason, "reason", "", "reason, as `text` for the run log")
	}
	return cmd
}

// printAlarms writes a table, and under each alarm that waits for a person what to do first.
func printAlarms(w io.Writer, list []control.Alarm) {
	if len(list) == 0 {
		fmt.Fprintln(w, "no alarms")
		return
	}
	fmt.Fprintln(w, "priority\tstate\tcell\tcondition\tsince\ttext")
	for _, a := range list {
		text, by := a.Text, ""
		if a.First {
			text = "(first) " + text
		}
		if a.By != "" {
			by = ", by " + a.By
		}
		switch {
		case a.Reason == "":
		case a.State == alerts.SHLVD:
			text += " (shelved: " + a.Reason + by + "; until " + localTime(a.ShelfEnds) + ")"
		case a.State == alerts.OOSRV:
			text += " (out of service: " + a.Reason + by + ")"
		default:
			text += " (suppressed: " + a.Reason + ")"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n",
			a.Priority, a.State, drivers.Plain(a.Cell), drivers.Plain(a.Condition), localTime(a.Since), strings.TrimSpace(drivers.Plain(text)))
		if a.Action != "" && a.Reason == "" {
			fmt.Fprintf(w, "\t\t\t\t\t→ %s\n", drivers.Plain(a.Action))
		}
	}
}
