package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

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
		var p *control.Problem
		if errors.As(err, &p) && p.Status == http.StatusConflict { // refused: nothing is there to drill
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
