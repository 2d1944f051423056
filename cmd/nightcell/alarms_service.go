package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newOutOfServiceCommand(s *shell, r *reach) *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use:     "out-of-service CELL CONDITION --reason TEXT",
		Short:   "Take an alarm out of service until it is returned or the run ends, with the reason",
		Example: "  nightcell alarms out-of-service zinc-1 stirrer-stopped --reason \"no stirrer tonight\" --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms out-of-service CELL CONDITION --reason TEXT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if reason == "" {
				return usagef("--reason: say why, so that the next person knows it")
			}
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				order := control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}
				if err := c.OutOfService(ctx, control.ServiceOrder{AlarmOrder: order, Reason: reason}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is out of service\n", drivers.Plain(args[1]), drivers.Plain(args[0]))
				return err
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`text` for the run log: why")
	return cmd
}

func newReturnCommand(s *shell, r *reach) *cobra.Command {
	return &cobra.Command{
		Use:     "return CELL CONDITION",
		Short:   "Return an alarm to service",
		Example: "  nightcell alarms return zinc-1 stirrer-stopped --config nightcell.toml",
		Args:    between(2, 2, "nightcell alarms return CELL CONDITION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				if err := c.ReturnToService(ctx, control.AlarmOrder{Cell: args[0], Condition: args[1], By: r.who()}); err != nil {
					return err
				}
				_, err := fmt.Fprintf(s.out, "%s of %s is in service again\n", drivers.Plain(args[1]), drivers.Plain(args[0]))
				return err
			})
		},
	}
}
