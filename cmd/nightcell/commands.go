package main

import "github.com/spf13/cobra"

// commands lists every command, in the order of a charge's life.
func commands(s *shell) []*cobra.Command {
	return []*cobra.Command{
		newPlanCommand(s),
		newCheckCommand(s),
		newPortsCommand(s),
		newDemoCommand(s),
		newWatchCommand(s),
		newSimulateCommand(s),
		newBeginCommand(s),
		newStatusCommand(s),
		newAlarmsCommand(s),
		newDrillCommand(s),
		newEnterCommand(s),
		newStepCommand(s),
		newHoldCommand(s),
		newOffCommand(s),
		newVerifyCommand(s),
		newExportCommand(s),
	}
}
