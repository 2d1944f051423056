package main

import (
	"context"
	"fmt"
	"os"
	"os/user"
	"time"

	"github.com/spf13/cobra"

	"nightcell/configs"
	"nightcell/daemon/control"
)

// reach finds the daemon that a command speaks to, and knows who speaks.
type reach struct{ config, socket, by string }

// addFlags adds the flags of a command that writes something down.
func (r *reach) addFlags(cmd *cobra.Command) {
	r.addReach(cmd)
	cmd.PersistentFlags().StringVar(&r.by, "by", "", "`name` to be noted in the run log (default: the user's)")
}

// addReach adds the flags that say which daemon is meant.
func (r *reach) addReach(cmd *cobra.Command) {
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
		return nil, usagef("say which daemon is meant: --config FILE or --socket PATH")
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
			return usagef("%s; write it as: %s", argumentsGiven(len(args)), form)
		}
		return nil
	}
}

// argumentsGiven counts arguments in words.
func argumentsGiven(n int) string {
	switch n {
	case 0:
		return "no argument is given"
	case 1:
		return "1 argument is given"
	}
	return fmt.Sprintf("%d arguments are given", n)
}

// localTime is a time as people read it in a list.
func localTime(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Local().Format("2006-01-02 15:04:05")
}
