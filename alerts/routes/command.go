package routes

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"time"
)

// CommandSettings describe a program that carries a notice or makes a noise.
type CommandSettings struct {
	Name string
	// Argv is the program and its arguments as they are: no shell reads them and
	// nothing from a notice is put into them.
	Argv []string
	// Timeout ends the program and all its children.
	Timeout time.Duration
	// Environment is added as NAME=value, besides the little that is passed on.
	Environment []string
	Templates   *Templates
}

// Command runs a program for each notice, with the notice in its environment:
// NIGHTCELL_CELL, NIGHTCELL_CONDITION, NIGHTCELL_PRIORITY, NIGHTCELL_SUBJECT,
// NIGHTCELL_TEXT and so on. Exit status 0 is proof of delivery.
type Command struct{ settings CommandSettings }

// The environment variables of the daemon that a program may need; all others, such as passwords, stay here.
var passedOn = [...]string{"PATH", "HOME", "USER", "LANG", "LC_ALL", "TZ", "DISPLAY", "WAYLAND_DISPLAY", "XDG_RUNTIME_DIR", "DBUS_SESSION_BUS_ADDRESS"}

// NewCommand checks the settings and returns the route. Nothing is run.
func NewCommand(s CommandSettings) (*Command, error) {
	if _, err := exec.LookPath(s.Argv[0]); err != nil {
		return nil, fmt.Errorf("route %s: the command cannot be run: %w", s.Name, err)
	}
	return &Command{s}, nil
}

// Name implements Route.
func (c *Command) Name() string { return c.settings.Name }

// Deliver implements Route. When it returns, the program and every child that
// stayed in its process group are gone.
func (c *Command) Deliver(ctx context.Context, n Notice) (Proof, error) {
	ctx, cancel := context.WithTimeout(ctx, c.settings.Timeout)
	defer cancel()
	var output tail
	cmd := exec.CommandContext(ctx, c.settings.Argv[0], c.settings.Argv[1:]...)
	cmd.Env = append(c.environment(n), c.settings.Environment...)
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
		return "", fmt.Errorf("run %s: killed with its children: %w%s", c.settings.Argv[0], context.Cause(ctx), output.quote())
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return "", fmt.Errorf("run %s: %w%s", c.settings.Argv[0], err, output.quote())
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
		add("VALUE_"+variable(name), strconv.FormatFloat(v, 'g', -1, 64))
	}
	return env
}

// variable makes a name fit for an environment variable: capitals, digits and underscores.
func variable(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return '_'
	}, name)
}

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
