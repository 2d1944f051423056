package main

import (
	"context"
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newAlarmsCommand(s *shell) *cobra.Command {
	r := &reach{}
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "alarms [CELL]",
		Short: "List the alarms of a running daemon, acknowledge them, set them aside",
		Long: "alarms lists what is not in the normal state, most urgent first, and what to do first about it.\n" +
			"The states are those of IEC 62682, two of their names are nightcell's own (LTUNK, LTACK): UNACK, RTNUN and\n" +
			"LTUNK wait for an acknowledgement, ACKED and LTACK have one (LTACK also waits for a reset), SHLVD is shelved\n" +
			"until a time, OOSRV is out of service until it is returned or the run ends, and DSUPR is not judged now, for\n" +
			"the reason given.",
		Example: "  nightcell alarms --config nightcell.toml\n" +
			"  nightcell alarms ack zinc-1 over-current --config nightcell.toml\n" +
			"  nightcell alarms shelve zinc-1 contact --for 2h --reason \"clip is being replaced\" --config nightcell.toml",
		Args: between(0, 1, "nightcell alarms [CELL]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			cell := ""
			if len(args) == 1 {
				cell = args[0]
			}
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				list, err := c.Alarms(ctx, cell)
				if err != nil {
					return err
				}
				if asJSON {
					if list == nil {
						list = []control.Alarm{} // a list without entries, not null
					}
					return printJSON(s.out, map[string]any{"alarms": list})
				}
				return printAlarms(s, list)
			})
		},
	}
	r.addFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	cmd.AddCommand(newAckCommand(s, r), newShelveCommand(s, r), newUnshelveCommand(s, r), newResetCommand(s, r), newOutOfServiceCommand(s, r), newReturnCommand(s, r))
	return cmd
}

func newAckCommand(s *shell, r *reach) *cobra.Command {
	return &cobra.Command{
		Use:     "ack CELL CONDITION",
		Short:   "Say that somebody has taken an alarm in hand",
		Example: "  nightcell alarms ack zinc-1 over-current --by \"night shift\" --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms ack CELL CONDITION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				if err := c.Acknowledge(ctx, control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is acknowledged by %s\n", drivers.Plain(args[1]), drivers.Plain(args[0]), drivers.Plain(r.who()))
				return err
			})
		},
	}
}

func newShelveCommand(s *shell, r *reach) *cobra.Command {
	var length, reason string
	cmd := &cobra.Command{
		Use:     "shelve CELL CONDITION --for TIME --reason TEXT",
		Short:   "Set an alarm aside for a time, with the reason",
		Example: "  nightcell alarms shelve zinc-1 contact --for \"2 h\" --reason \"clip is being replaced\" --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms shelve CELL CONDITION --for TIME --reason TEXT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			seconds, err := quantity.Parse(quantity.Time, length)
			switch {
			case err != nil:
				return usagef("--for: %w", err)
			case seconds <= 0:
				return usagef("--for: an alarm cannot be set aside for %s", length)
			case seconds > alerts.LongestShelf.Seconds():
				return usagef("--for %s: an alarm can be set aside for %s at most, so that nobody forgets it", length, timeWords(alerts.LongestShelf))
			case reason == "":
				return usagef("--reason: say why, so that the next person knows it")
			}
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				order := control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}
				if err := c.Shelve(ctx, control.ShelveOrder{AlarmOrder: order, Reason: reason, Seconds: seconds}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is set aside for %s\n", drivers.Plain(args[1]), drivers.Plain(args[0]), length)
				return err
			})
		},
	}
	cmd.Flags().StringVar(&length, "for", "", "how long: a `time`, such as \"2 h\"")
	cmd.Flags().StringVar(&reason, "reason", "", "`text` for the run log: why")
	return cmd
}

func newUnshelveCommand(s *shell, r *reach) *cobra.Command {
	return &cobra.Command{
		Use:     "unshelve CELL CONDITION",
		Short:   "Take an alarm back before its time",
		Example: "  nightcell alarms unshelve zinc-1 contact --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms unshelve CELL CONDITION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				if err := c.Unshelve(ctx, control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is back in service\n", drivers.Plain(args[1]), drivers.Plain(args[0]))
				return err
			})
		},
	}
}

func newResetCommand(s *shell, r *reach) *cobra.Command {
	return &cobra.Command{
		Use:     "reset CELL CONDITION",
		Short:   "Release an alarm that latches, once it is over and acknowledged",
		Example: "  nightcell alarms reset zinc-1 hard-short --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms reset CELL CONDITION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				if err := c.Reset(ctx, control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is released\n", drivers.Plain(args[1]), drivers.Plain(args[0]))
				return err
			})
		},
	}
}

// printAlarms writes a table, and under each alarm that waits for a person what to do first.
func printAlarms(s *shell, list []control.Alarm) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(s.out, "no alarms")
		return err
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "priority\tstate\tcell\tcondition\tsince\ttext")
	for _, a := range list {
		text := a.Text
		if a.First {
			text = "(first) " + text
		}
		switch {
		case a.Reason == "":
		case a.State == "SHLVD":
			text += " (set aside: " + a.Reason + by(a.By) + "; until " + localTime(a.ShelfEnds) + ")"
		case a.State == "OOSRV":
			text += " (out of service: " + a.Reason + by(a.By) + ")"
		default:
			text += " (not judged: " + a.Reason + ")"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n",
			drivers.Plain(a.Priority), drivers.Plain(a.State), drivers.Plain(a.Cell), drivers.Plain(a.Condition), localTime(a.Since), strings.TrimSpace(drivers.Plain(text)))
		if a.Action != "" && a.Reason == "" {
			fmt.Fprintf(w, "\t\t\t\t\t→ %s\n", drivers.Plain(a.Action))
		}
	}
	return w.Flush()
}

// by names a person if there is one.
func by(person string) string {
	if person == "" {
		return ""
	}
	return ", by " + person
}
