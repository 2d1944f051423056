//go:build linux

package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// TestAHangupWhileTheWatchBeginsDoesNotEndIt: a pipe as the configuration holds the watch at
// its very beginning; the signal must wait for it to stand. The exit is then that of an empty configuration.
func TestAHangupWhileTheWatchBeginsDoesNotEndIt(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "slow.toml")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("nightcell", "watch", "--config", pipe)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	config, err := os.OpenFile(pipe, os.O_WRONLY, 0) // returns when the watch has come to read it
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(cmd.Process.Signal(syscall.SIGHUP), config.Close()); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &exit) || exit.ExitCode() != 2 {
		t.Errorf("the watch ended by %v; it should have read its configuration and said that it is wrong (exit status 2)", err)
	}
}
