package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/user"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

func newBeginCommand(s *shell) *cobra.Command {
	r := &reach{}
	var confirmed []string
	cmd := &cobra.Command{
		Use:   "begin CELL --confirm leads,level,ventilation,containment",
		Short: "Run the pre-flight check before leaving a run unattended",
		Long: "Checks that a run may be left unattended. It passes only when the supply's protection levels read back\n" +
			"at or below the configured limits, the reading is plausible, a zero was taken, a route has recently delivered\n" +
			"(nightcell drill), no high-priority alarm is active, and you have confirmed what only a person at the cell\n" +
			"can see: leads, level, ventilation and containment. The confirmation is kept in the run log.\n\n" +
			"It switches nothing on and makes nothing safe: current limit, over-voltage trip, timer, fuse, containment\n" +
			"and ventilation must work without nightcell. Follow your local code and your site's rules.",
		Example: "  nightcell begin zinc-1 --confirm leads,level,ventilation,containment --config nightcell.toml",
		Args:    between(1, 1, "nightcell begin CELL --confirm leads,level,ventilation,containment"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for i, word := range confirmed {
				if confirmed[i] = strings.TrimSpace(word); !slices.Contains(control.ToConfirm(), confirmed[i]) {
					return usagef("--confirm %q: choose from %s", word, strings.Join(control.ToConfirm(), ", "))
				}
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Minute)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				checks, err := c.Begin(ctx, control.BeginOrder{Cell: args[0], By: r.who(), Confirmed: confirmed})
				if printErr := printChecks(s, args[0], checks, r.asJSON, err == nil); printErr != nil {
					return printErr
				}
				return err
			})
		},
	}
	r.addFlags(cmd, oneObject)
	cmd.Flags().StringSliceVar(&confirmed, "confirm", nil, "what you have checked at the cell: `leads,level,ventilation,containment`")
	return cmd
}

// printChecks shows each check, one a line.
func printChecks(s *shell, cell string, checks []control.Check, asJSON, cleared bool) error {
	for i := range checks {
		checks[i].Text = inWords(checks[i].Text)
	}
	if asJSON {
		return printJSON(s.out, map[string]any{"cleared": cleared, "checks": checks})
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, k := range checks {
		state := "ok"
		if !k.OK {
			state = "open"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", state, k.Name, strings.TrimSpace(drivers.Plain(k.Text)))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if slices.ContainsFunc(checks, func(k control.Check) bool { return k.Name == "zero" && !k.OK }) {
		fmt.Fprintf(s.out, "To enter a zero: nightcell enter %s zero \"current=2 mA\" \"uncertainty=1 mA\", as the ammeter reads with no current.\n", drivers.Plain(cell))
	}
	if cleared {
		fmt.Fprintln(s.out, "pre-flight passed for an unattended run; nightcell is a monitor, not a safety device")
	}
	return nil
}

func newDrillCommand(s *shell) *cobra.Command {
	r := &reach{}
	var patience string
	cmd := &cobra.Command{
		Use:   "drill CELL",
		Short: "Send a test notification over every route and wait for proof of delivery",
		Long: "Sends a test notification about CELL over every route at once, ignoring quiet hours and escalation, and prints\n" +
			"each receiver's answer. Exit code 0 only if every route delivered. Run it before each night and check that\n" +
			"the notification reached you: a server that accepted it is not a person who read it.",
		Example: "  nightcell drill zinc-1 --config nightcell.toml",
		Args:    between(1, 1, "nightcell drill CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			longest, err := parseSpan("--patience", patience)
			if err != nil {
				return err
			}
			if longest == 0 || longest > time.Hour {
				return usagef("--patience %s: give a time above zero and up to one hour, such as '2 min'", patience)
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
				return printDrill(s, receipts, r.asJSON)
			})
		},
	}
	r.addFlags(cmd, oneObject)
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
		return fmt.Errorf("%d of %d routes did not confirm delivery", len(receipts)-delivered, len(receipts))
	}
	return nil
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
	cmd := &cobra.Command{
		Use:   "step CELL",
		Short: "Lower the current slightly, once, to measure how much of a voltage rise is ohmic",
		Long: "Lowers the current set-point of CELL by a small share and reads the cell voltage. The resistance shows\n" +
			"whether a rise since the last step is ohmic (level, diaphragm, contact) or not (electrode, depleted\n" +
			"bath). The configuration must permit it with may = [\"step\"]. The current stays at the lower value until\n" +
			"you raise it at the supply: nightcell never raises a set-point. The result goes into the run log.",
		Example: "  nightcell step zinc-1 --down \"5 %\" --config nightcell.toml",
		Args:    between(1, 1, "nightcell step CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			share, err := quantity.Parse(quantity.Fraction, down)
			if err != nil {
				return usagef("--down: %w", err)
			}
			if !(share > 0 && share < 1) {
				return usagef("--down %s: choose a share between 0 %% and 100 %% of the set-point", down)
			}
			return r.ask(cmd.Context(), func(ctx context.Context, c *control.Client) error {
				out, err := c.Step(ctx, control.StepOrder{CellOrder: control.CellOrder{Cell: args[0], By: r.who()}, Share: share})
				if control.IsMistake(err) { // the daemon speaks of shares
					return usageError{&spoken{shareFigure.ReplaceAllStringFunc(err.Error(), percent), err}}
				}
				if err != nil {
					return err
				}
				if r.asJSON {
					return printJSON(s.out, out)
				}
				_, err = fmt.Fprintln(s.out, drivers.Plain(out.Text))
				return err
			})
		},
	}
	r.addFlags(cmd, oneObject)
	cmd.Flags().StringVar(&down, "down", "5 %", "`share` of the set-point by which to lower the current")
	return cmd
}

func newOffCommand(s *shell) *cobra.Command {
	return outputCommand(s, "off",
		"Switch a cell's output off and verify it",
		"Switches the output of CELL off and verifies it by read-back: output state off, no current. The\n"+
			"configuration must permit it with may = [\"off\"]. Off is not the safe state for every metal:\n"+
			"nightcell plan shows what your deposit does when the current stops. nightcell never switches\n"+
			"an output on.",
		"  nightcell off zinc-1 --confirm zinc-1 --config nightcell.toml\n"+
			"  nightcell off zinc-1 --confirm zinc-1 --by \"night shift\" --json --config nightcell.toml",
		(*control.Client).Off)
}

func newHoldCommand(s *shell) *cobra.Command {
	return outputCommand(s, "hold",
		"Lower a cell's current to its hold current and verify it",
		"Lowers the current set-point of CELL to hold_current and verifies it by read-back. The\n"+
			"configuration must permit it with may = [\"hold\"]. Hold only buys time: go to the cell.",
		"  nightcell hold zinc-1 --confirm zinc-1 --config nightcell.toml",
		(*control.Client).Hold)
}

// outputCommand is a command that acts on an output. The cell has to be named twice,
// so that a slip of the hand does not stop the wrong one.
func outputCommand(s *shell, name, short, long, example string, act func(*control.Client, context.Context, control.CellOrder) (control.Outcome, error)) *cobra.Command {
	r := &reach{}
	var again string
	cmd := &cobra.Command{
		Use:     name + " CELL --confirm CELL",
		Short:   short,
		Long:    long,
		Example: example,
		Args:    between(1, 1, "nightcell "+name+" CELL --confirm CELL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("again") {
				fmt.Fprintln(s.err, "note: --again is an earlier name; write --confirm before the next version")
			}
			if again != args[0] {
				return usagef("repeat the cell's name to confirm: nightcell %s %s --confirm %s", name, args[0], args[0])
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), time.Minute)
			defer cancel()
			return r.ask(ctx, func(ctx context.Context, c *control.Client) error {
				out, err := act(c, ctx, control.CellOrder{Cell: args[0], By: r.who()})
				if err != nil {
					return err
				}
				if r.asJSON {
					return printJSON(s.out, map[string]any{"cell": args[0], "act": name, "verified": out.Verified, "text": out.Text})
				}
				_, err = fmt.Fprintf(s.out, "%s: %s, verified: %s\n", drivers.Plain(args[0]), name, drivers.Plain(out.Text))
				return err
			})
		},
	}
	r.addFlags(cmd, oneObject)
	cmd.Flags().StringVar(&again, "confirm", "", "repeat the name of the `cell`")
	cmd.Flags().StringVar(&again, "again", "", "")
	_ = cmd.Flags().MarkHidden("again") // it fails for unknown flags alone
	return cmd
}

// reach finds the daemon that a command speaks to, and knows who speaks and how the answer is printed.
type reach struct {
	config, socket, by string
	asJSON             bool
}

// oneObject is what most commands say of their flag json.
const oneObject = "print one JSON object"

// addFlags adds the flags of a command that writes something down; json says what that flag is for.
func (r *reach) addFlags(cmd *cobra.Command, json string) {
	r.addReach(cmd, json)
	cmd.PersistentFlags().StringVar(&r.by, "by", "", "your `name` for the run log (default: the user's)")
}

// addReach adds the flags that say which daemon is meant.
func (r *reach) addReach(cmd *cobra.Command, json string) {
	cmd.Flags().BoolVar(&r.asJSON, "json", false, json)
	flags := cmd.PersistentFlags()
	flags.StringVar(&r.config, "config", "", "configuration `file` of the running daemon")
	flags.StringVar(&r.socket, "socket", "", "`path` of the daemon's control socket, in place of --config")
}

// client returns a client for the daemon. Nothing is connected yet.
func (r *reach) client() (*control.Client, error) {
	if r.socket != "" {
		return control.NewClient(r.socket), nil
	}
	if r.config == "" {
		return nil, usagef("name the daemon: --config FILE or --socket PATH")
	}
	c, err := configs.Load(r.config)
	if err != nil {
		return nil, usageError{err}
	}
	return control.NewClient(c.Socket), nil
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

// ask runs one order and marks the operator's own mistakes as such, for the exit code.
func (r *reach) ask(ctx context.Context, order func(context.Context, *control.Client) error) error {
	c, err := r.client()
	if err != nil {
		return err
	}
	return mistake(order(ctx, c))
}

// between checks the number of arguments; form shows how the command is written.
func between(least, most int, form string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) < least || len(args) > most {
			return usagef("%s; usage: %s", argumentsGiven(len(args)), form)
		}
		return nil
	}
}

// argumentsGiven counts arguments in words.
func argumentsGiven(n int) string {
	switch n {
	case 0:
		return "no argument given"
	case 1:
		return "1 argument given"
	}
	return fmt.Sprintf("%d arguments given", n)
}

// localTime is a time as people read it in a list.
func localTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Local().Format("2006-01-02 15:04:05")
}
