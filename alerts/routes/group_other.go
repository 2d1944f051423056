//go:build !unix

package routes

import "os/exec"

// ownGroup does nothing: this system has no process groups.
func ownGroup(*exec.Cmd) {}

// killGroup ends the command alone; its children are not known here.
func killGroup(cmd *exec.Cmd) error { return cmd.Process.Kill() }
