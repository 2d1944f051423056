package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/configs"
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
					return usagef("there is no cell %q; the cells are %s", args[0], strings.Join(names, ", "))
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
	fmt.Fprintln(w, "cell\tstate\talarms\tcharge A·h\tof A·h\tV\tA\tdeposit g\treading")
	for _, c := range cells {
		alarms := "none"
		if c.Alarms > 0 {
			alarms = fmt.Sprintf("%d (%d unacknowledged)", c.Alarms, c.Unanswered)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", drivers.Plain(c.Name), c.State, alarms,
			charge(c), figure(c.TargetCoulombs/3600, 2), figure(c.Volts, 3), figure(c.Amperes, 3),
			figure(c.DepositGrams, 2), age(c.ReadingAgeSeconds))
	}
	for _, c := range cells { // lines without a tab stand as they are
		if c.Left != "" {
			fmt.Fprintf(w, "%s: the target is of the %s\n", drivers.Plain(c.Name), drivers.Plain(c.Left))
		}
		if m := float64(c.MeterCoulombs); m != 0 {
			fmt.Fprintf(w, "%s: the second meter measured %.3g %% of the charge; the rest is by the supply or in gaps\n", drivers.Plain(c.Name), 100*m/float64(c.ChargeCoulombs))
		}
		if c.ByMeter {
			fmt.Fprintf(w, "%s: the supply is silent; volts and amperes are the second meter's\n", drivers.Plain(c.Name))
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
	return quantity.Duration(time.Duration(v*float64(time.Second)).Round(time.Second)) + " ago"
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

// order makes a command about one cell; do gives the order to the daemon.
func (s *shell) order(path string, do func(ctx context.Context, c *control.Operator, o control.CellOrder) error) *cobra.Command {
	r := &reach{}
	cmd := newCommand(path, func(cmd *cobra.Command, args []string) error {
		return r.ask(cmd.Context(), longestAct, func(ctx context.Context, c *control.Operator) error {
			return do(ctx, c, control.CellOrder{Cell: args[0], By: r.who()})
		})
	})
	r.addFlags(cmd)
	return cmd
}

func newBeginCommand(s *shell) *cobra.Command {
	var confirmed []string
	cmd := s.order("begin", func(ctx context.Context, c *control.Operator, o control.CellOrder) error {
		for i, word := range confirmed {
			if confirmed[i] = strings.TrimSpace(word); !slices.Contains(control.ToConfirm(), confirmed[i]) {
				return usagef("--confirm %q: choose from %s", word, strings.Join(control.ToConfirm(), ", "))
			}
		}
		checks, err := c.Begin(ctx, control.BeginOrder{Cell: o.Cell, By: o.By, Confirmed: confirmed})
		return errors.Join(s.showChecks(o.Cell, checks, err == nil), err)
	})
	cmd.Flags().StringSliceVar(&confirmed, "confirm", nil, "what you have checked at the cell: `leads,level,ventilation,containment`")
	return cmd
}

// showChecks shows each check, one a line.
func (s *shell) showChecks(cell string, checks []control.Check, cleared bool) error {
	return s.table(func(w io.Writer) {
		for _, k := range checks {
			state := "ok"
			if !k.OK {
				state = "open"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\n", state, k.Name, strings.TrimSpace(drivers.Plain(inWords(k.Text))))
		}
		if slices.ContainsFunc(checks, func(k control.Check) bool { return k.Name == "zero" && !k.OK }) {
			fmt.Fprintf(w, "To enter a zero: nightcell enter %s zero \"current=2 mA\" \"uncertainty=1 mA\", as the ammeter reads with no current.\n", drivers.Plain(cell))
		}
		if cleared {
			fmt.Fprintln(w, "pre-flight passed for an unattended run; nightcell is a monitor, not a safety device")
		}
	})
}

func newDrillCommand(s *shell) *cobra.Command {
	return s.order("drill", func(ctx context.Context, c *control.Operator, o control.CellOrder) error {
		receipts, err := c.Drill(ctx, o)
		if p, ok := errors.AsType[*control.Problem](err); ok && p.Status == http.StatusConflict { // refused: nothing is there to drill
			return usageError{err}
		}
		if err != nil {
			return err
		}
		failed := 0
		err = s.table(func(w io.Writer) {
			for _, r := range receipts {
				state, said := "delivered", string(r.Proof)
				if !r.Delivered {
					state, said = "FAILED", r.Problem
					failed++
				}
				fmt.Fprintf(w, "%s\t%s\t%.1f s\t%s\n", drivers.Plain(r.Route), state, r.TookSeconds, drivers.Plain(said))
			}
		})
		if err == nil && failed > 0 {
			err = fmt.Errorf("%d of %d routes did not confirm delivery", failed, len(receipts))
		}
		return err
	})
}

func newStepCommand(s *shell) *cobra.Command {
	var down string
	cmd := s.order("step", func(ctx context.Context, c *control.Operator, o control.CellOrder) error {
		share, err := quantity.Parse(quantity.Fraction, down)
		if err != nil {
			return usagef("--down: %w", err)
		}
		if !(share > 0 && share < 1) {
			return usagef("--down %s: choose a share between 0 %% and 100 %% of the set-point", down)
		}
		out, err := c.Step(ctx, control.StepOrder{CellOrder: o, Share: share})
		if err == nil {
			_, err = fmt.Fprintln(s.out, drivers.Plain(out.Text))
		}
		return err
	})
	cmd.Flags().StringVar(&down, "down", "5 %", "`share` of the set-point by which to lower the current")
	return cmd
}

// newOutputCommand is off or hold. The cell has to be named twice, so that a slip of the hand does not stop the wrong one.
func newOutputCommand(s *shell, name string) *cobra.Command {
	var again string
	cmd := s.order(name, func(ctx context.Context, c *control.Operator, o control.CellOrder) error {
		if again != o.Cell {
			return usagef("repeat the cell's name to confirm: nightcell %s %s --confirm %s", name, o.Cell, o.Cell)
		}
		act := c.Off
		if name == "hold" {
			act = c.Hold
		}
		out, err := act(ctx, o)
		if err == nil {
			_, err = fmt.Fprintf(s.out, "%s: %s, verified: %s\n", drivers.Plain(o.Cell), name, drivers.Plain(out.Text))
		}
		return err
	})
	cmd.Flags().StringVar(&again, "confirm", "", "repeat the name of the `cell`")
	return cmd
}

// reach finds the daemon that a command speaks to, and knows who speaks.
type reach struct{ config, socket, by string }

// addFlags adds the flags of a command that writes something down.
func (r *reach) addFlags(cmd *cobra.Command) {
	r.addReach(cmd)
	cmd.PersistentFlags().StringVar(&r.by, "by", "", "your `name` for the run log (default: the user's)")
}

// addReach adds the flags that say which daemon is meant.
func (r *reach) addReach(cmd *cobra.Command) {
	flags := cmd.PersistentFlags()
	flags.StringVar(&r.config, "config", "", "configuration `file` of the running daemon")
	flags.StringVar(&r.socket, "socket", "", "`path` of the daemon's control socket, in place of --config")
}

// client returns a client for the daemon. Nothing is connected yet.
func (r *reach) client() (*control.Operator, error) {
	if r.socket != "" {
		return control.Dial(r.socket), nil
	}
	if r.config == "" {
		return nil, usagef("name the daemon: --config FILE or --socket PATH")
	}
	c, err := configs.Load(r.config)
	if err != nil {
		return nil, usageError{err}
	}
	return control.Dial(c.Socket), nil
}

// who is the name that goes into the log.
func (r *reach) who() string {
	if r.by != "" {
		return r.by
	}
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return os.Getenv("USER")
}

// How long to wait for the answer to a question, and to an order.
const (
	longestQuestion = 10 * time.Second
	longestAct      = 5 * time.Minute // as the daemon does
)

// ask runs one order and marks the operator's own mistakes as such, for the exit code.
func (r *reach) ask(ctx context.Context, longest time.Duration, order func(context.Context, *control.Operator) error) error {
	c, err := r.client()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	return mistake(order(ctx, c))
}

// localTime is a time as people read it in a list.
func localTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Local().Format("2006-01-02 15:04:05")
}
