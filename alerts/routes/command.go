package routes

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Command runs a program for each notice, with the notice in its environment:
// NIGHTCELL_CELL, NIGHTCELL_CONDITION, NIGHTCELL_PRIORITY, NIGHTCELL_SUBJECT,
// NIGHTCELL_TEXT and so on. Exit status 0 is proof of delivery.
type Command struct{ settings Settings }

// The environment variables of the daemon that a program may need; all others, such as passwords, stay here.
var passedOn = [...]string{"PATH", "HOME", "USER", "LANG", "LC_ALL", "TZ", "DISPLAY", "WAYLAND_DISPLAY", "XDG_RUNTIME_DIR", "DBUS_SESSION_BUS_ADDRESS"}

// NewCommand checks the settings and returns the route. Nothing is run.
func NewCommand(s Settings) (*Command, error) {
	if _, err := exec.LookPath(s.Command[0]); err != nil {
		return nil, fmt.Errorf("route %s: the command cannot be run: %w", s.Name, err)
	}
	return &Command{s}, nil
}

// Name implements Route.
func (c *Command) Name() string { return c.settings.Name }

// Deliver implements Route. When it returns, the program and every child that
// stayed in its process group are gone.
func (c *Command) Deliver(ctx context.Context, n Notice) (Proof, error) {
	var output tail
	cmd := exec.CommandContext(ctx, c.settings.Command[0], c.settings.Command[1:]...)
	cmd.Env = c.environment(n)
	cmd.Stdout, cmd.Stderr = &output, &output
	// A child that outlives the program keeps the output open; this bounds the wait for it.
	cmd.WaitDelay = time.Second
	ownGroup(cmd)
	cmd.Cancel = func() error { return killGroup(cmd) }
	err := cmd.Run()
	if cmd.Process != nil {
		_ = killGroup(cmd) // what it left behind; an error means that there is nothing
	}
	switch {
	case ctx.Err() != nil:
		return "", fmt.Errorf("run %s: killed with its children: %w%s", c.settings.Command[0], context.Cause(ctx), output.quote())
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return "", fmt.Errorf("run %s: %w%s", c.settings.Command[0], err, output.quote())
	}
	return Proof("exit status 0" + output.quote()), nil
}

// environment is the notice as variables. An operating system's environment cannot hold a zero byte; Clean removed those.
func (c *Command) environment(n Notice) []string {
	n = n.Clean()
	letter := c.settings.Templates.Compose(n)
	var env []string
	for _, name := range passedOn {
		if value, found := os.LookupEnv(name); found {
			env = append(env, name+"="+value)
		}
	}
	add := func(name, value string) { env = append(env, "NIGHTCELL_"+name+"="+value) }
	for _, v := range [][2]string{
		{"ID", n.ID}, {"CELL", n.Cell}, {"SUPPLY", n.Supply}, {"KIND", string(n.Kind)}, {"CONDITION", n.Condition}, {"AFTER", n.After},
		{"PRIORITY", n.Priority.String()}, {"STATE", n.State}, {"AT", n.At.UTC().Format(time.RFC3339)}, {"SUBJECT", letter.Subject}, {"TEXT", letter.Text},
		{"LINK", n.Link}, {"DRILL", strconv.FormatBool(n.Drill)}, {"REPEAT", strconv.Itoa(n.Repeat)},
	} {
		add(v[0], v[1])
	}
	if !n.Since.IsZero() {
		add("SINCE", n.Since.UTC().Format(time.RFC3339))
	}
	for name, v := range n.Values {
		add("VALUE_"+strings.ToUpper(notInName.ReplaceAllString(name, "_")), strconv.FormatFloat(v, 'g', -1, 64))
	}
	return env
}

// notInName is what the name of a variable cannot have.
var notInName = regexp.MustCompile(`[^A-Za-z0-9]`)

// tail keeps the last bytes of what a program says, however much that is.
type tail struct{ kept []byte }

const tailBytes = 2048

// Write implements io.Writer and never fails.
func (t *tail) Write(p []byte) (int, error) {
	all := append(t.kept, p...)
	t.kept = all[max(0, len(all)-tailBytes):]
	return len(p), nil
}

// quote is the output on one line, ready to be appended to a sentence.
func (t *tail) quote() string {
	if s := oneLine(string(t.kept)); s != "" {
		return ": " + s
	}
	return ""
}
