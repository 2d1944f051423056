//go:build unix

package routes

import (
	"os/exec"
	"syscall"
)

// ownGroup makes the command the leader of a process group of its own.
func ownGroup(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

// killGroup ends the command and all that stayed in its group. The number of the
// group stays taken while a member lives, so it cannot hit a stranger meanwhile.
func killGroup(cmd *exec.Cmd) error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
