//go:build unix

package routes

import (
	"context"
	"errors"
	"nightcell/alerts"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// script writes a shell script for a command route to run; the route itself uses no shell.
func script(t *testing.T, lines string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "told")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+lines+"\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	return path
}

func command(t *testing.T, s Settings) *Command {
	t.Helper()
	s.Name, s.Templates = "buzzer", builtIn()
	c, err := NewCommand(s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCommandFindsTheNoticeInItsEnvironment(t *testing.T) {
	t.Setenv("NIGHTCELL_TEST_PASSWORD", "must stay here")
	out := filepath.Join(t.TempDir(), "env")
	c := command(t, Settings{Command: []string{script(t, `env > "$1"; echo done`), out}})
	n := samples()[0]
	proof, err := c.Deliver(t.Context(), n)
	if err != nil || proof != "exit status 0: done" {
		t.Fatalf("%q, %v", proof, err)
	}
	data, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	env := string(data)
	for _, want := range []string{
		"NIGHTCELL_CELL=zinc-1\n", "NIGHTCELL_CONDITION=over-current\n", "NIGHTCELL_AFTER=\n", "NIGHTCELL_PRIORITY=high\n", "NIGHTCELL_STATE=UNACK\n",
		"NIGHTCELL_AT=2026-01-02T03:04:05Z\n", "NIGHTCELL_SINCE=2026-01-02T03:03:05Z\n", "NIGHTCELL_KIND=alarm\n", "NIGHTCELL_DRILL=false\n",
		"NIGHTCELL_VALUE_CURRENT_AMPERES=4.1\n", "NIGHTCELL_REPEAT=1\n", "NIGHTCELL_SUBJECT=zinc-1: 4.1 A where 3.3 A is the limit (reminder 1)\n", "What to do first",
	} {
		if !strings.Contains(env, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Contains(env, "must stay here") {
		t.Error("the daemon's own environment was handed over")
	}
}

func TestCommandRunsNothingThatANoticeSays(t *testing.T) {
	dir := t.TempDir()
	n := nasty()
	n.Subject = "$(touch " + dir + "/a); touch " + dir + "/b; `touch " + dir + "/c`\x00"
	n.Cell, n.Text = n.Subject, n.Subject
	if _, err := command(t, Settings{Command: []string{script(t, `printf %s "$NIGHTCELL_SUBJECT" >/dev/null`)}}).Deliver(t.Context(), n); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 0 {
		t.Errorf("something was run: %v, %v", left, err)
	}
}

func TestCommandThatFails(t *testing.T) {
	for name, c := range map[string]struct{ lines, want string }{
		"status":   {`echo "no card"; exit 3`, "exit status 3: no card"},
		"signal":   {`kill -9 $$`, "killed"},
		"babbling": {`i=0; while [ $i -lt 3000 ]; do echo "line $i of much output"; i=$((i+1)); done; echo "last words"; exit 1`, "last words"},
	} {
		_, err := command(t, Settings{Command: []string{script(t, c.lines)}}).Deliver(t.Context(), alarm("a", "contact", alerts.High))
		if err == nil || !strings.Contains(err.Error(), c.want) && name != "babbling" || len(err.Error()) > 3*tailBytes {
			t.Errorf("%s: %.200v", name, err)
		}
	}
	for _, argv := range [][]string{{""}, {"/no/such/program"}, {"no-such-program-anywhere"}} {
		if _, err := NewCommand(Settings{Name: "x", Command: argv}); err == nil {
			t.Errorf("%q is accepted", argv)
		}
	}
}

// alive reports whether a process exists and is not a zombie that nobody has waited for.
func alive(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return false
	}
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return !os.IsNotExist(err)
	}
	_, after, _ := strings.Cut(string(stat), ") ")
	return !strings.HasPrefix(after, "Z")
}

func readPID(path string) int {
	data, _ := os.ReadFile(path)
	pid, _ := strconv.Atoi(strings.TrimSpace(string(data)))
	return pid
}

func TestCommandThatNeverEndsIsKilledWithItsChildren(t *testing.T) {
	dir := t.TempDir()
	// The program ignores the polite signal, and so does a child that keeps the output open.
	lines := `trap "" TERM HUP INT
(trap "" TERM HUP INT; while :; do sleep 1; done) &
echo $! > "$1/child"
echo $$ > "$1/self"
while :; do sleep 1; done`
	c := command(t, Settings{Command: []string{script(t, lines), dir}})
	ctx, cancel := context.WithCancelCause(t.Context())
	cause := errors.New("enough")
	finished := make(chan error, 1)
	go func() {
		_, err := c.Deliver(ctx, alarm("a", "contact", alerts.High))
		finished <- err
	}()
	waitFor(t, "both processes run", func() bool { return readPID(dir+"/self") > 0 && readPID(dir+"/child") > 0 })
	self, child := readPID(dir+"/self"), readPID(dir+"/child")
	cancel(cause)
	if err := <-finished; !errors.Is(err, cause) || !strings.Contains(err.Error(), "killed with its children") {
		t.Errorf("error: %v", err)
	}
	waitFor(t, "both are gone", func() bool { return !alive(self) && !alive(child) })
}

func TestCommandTimesOut(t *testing.T) {
	began := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err := command(t, Settings{Command: []string{"sleep", "600"}}).Deliver(ctx, alarm("a", "contact", alerts.High))
	if !errors.Is(err, context.DeadlineExceeded) || time.Since(began) > 2*time.Minute {
		t.Errorf("%v after %v", err, time.Since(began))
	}
}

func TestCommandLeavesNobodyBehind(t *testing.T) {
	dir := t.TempDir()
	c := command(t, Settings{Command: []string{script(t, `sleep 600 & echo $! > "$1/child"`), dir}})
	if proof, err := c.Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil || proof != "exit status 0" {
		t.Errorf("%q, %v", proof, err)
	}
	child := readPID(dir + "/child")
	waitFor(t, "the child is gone", func() bool { return !alive(child) })
}
