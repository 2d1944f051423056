package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/user"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newBeginCommand(s *shell) *cobra.Command {
	r := &reach{}
	var confirmed []string
	cmd := newCommand("begin", func(cmd *cobra.Command, args []string) error {
		for i, word := range confirmed {
			if confirmed[i] = strings.TrimSpace(word); !slices.Contains(control.ToConfirm(), confirmed[i]) {
				return usagef("--confirm %q: choose from %s", word, strings.Join(control.ToConfirm(), ", "))
			}
		}
		return r.ask(cmd.Context(), time.Minute, func(ctx context.Context, c *control.Operator) error {
			checks, err := c.Begin(ctx, control.BeginOrder{Cell: args[0], By: r.who(), Confirmed: confirmed})
			return errors.Join(s.showChecks(args[0], checks, err == nil), err)
		})
	})
	r.addFlags(cmd)
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
	r := &reach{}
	var patience string
	cmd := newCommand("drill", func(cmd *cobra.Command, args []string) error {
		longest, err := parsePatience(patience, "2 min")
		if err != nil {
			return err
		}
		return r.ask(cmd.Context(), longest, func(ctx context.Context, c *control.Operator) error {
			receipts, err := c.Drill(ctx, control.CellOrder{Cell: args[0], By: r.who()})
			var p *control.Problem
			if errors.As(err, &p) && p.Status == http.StatusConflict { // refused: nothing is there to drill
				return usageError{err}
			}
			if err != nil {
				return err
			}
			return s.showDrill(receipts)
		})
	})
	r.addFlags(cmd)
	cmd.Flags().StringVar(&patience, "patience", "2 min", "the longest `time` to wait for the daemon")
	return cmd
}

// parsePatience reads how long to wait for an answer.
func parsePatience(text, example string) (time.Duration, error) {
	longest, err := parseSpan("--patience", text)
	if err == nil && (longest == 0 || longest > time.Hour) {
		err = usagef("--patience %s: give a time above zero and up to one hour, such as '%s'", text, example)
	}
	return longest, err
}

func (s *shell) showDrill(receipts []routes.Receipt) error {
	failed := 0
	err := s.table(func(w io.Writer) {
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
}

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
	cmd := newCommand("step", func(cmd *cobra.Command, args []string) error {
		share, err := quantity.Parse(quantity.Fraction, down)
		if err != nil {
			return usagef("--down: %w", err)
		}
		if !(share > 0 && share < 1) {
			return usagef("--down %s: choose a share between 0 %% and 100 %% of the set-point", down)
		}
		return r.ask(cmd.Context(), longestAct, func(ctx context.Context, c *control.Operator) error {
			out, err := c.Step(ctx, control.StepOrder{CellOrder: control.CellOrder{Cell: args[0], By: r.who()}, Share: share})
			if control.IsMistake(err) { // the daemon speaks of shares
				return usageError{&spoken{shareFigure.ReplaceAllStringFunc(err.Error(), percent), err}}
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintln(s.out, drivers.Plain(out.Text))
			return err
		})
	})
	r.addFlags(cmd)
	cmd.Flags().StringVar(&down, "down", "5 %", "`share` of the set-point by which to lower the current")
	return cmd
}

func newOffCommand(s *shell) *cobra.Command { return outputCommand(s, "off") }

func newHoldCommand(s *shell) *cobra.Command { return outputCommand(s, "hold") }

// outputCommand is a command that acts on an output. The cell has to be named twice,
// so that a slip of the hand does not stop the wrong one.
func outputCommand(s *shell, name string) *cobra.Command {
	r := &reach{}
	var again string
	cmd := newCommand(name, func(cmd *cobra.Command, args []string) error {
		if again != args[0] {
			return usagef("repeat the cell's name to confirm: nightcell %s %s --confirm %s", name, args[0], args[0])
		}
		return r.ask(cmd.Context(), time.Minute, func(ctx context.Context, c *control.Operator) error {
			act := c.Off
			if name == "hold" {
				act = c.Hold
			}
			out, err := act(ctx, control.CellOrder{Cell: args[0], By: r.who()})
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(s.out, "%s: %s, verified: %s\n", drivers.Plain(args[0]), name, drivers.Plain(out.Text))
			return err
		})
	})
	r.addFlags(cmd)
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
