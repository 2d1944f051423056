package run

import (
	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
)

// StepExpected tells the alarms that the set-points now read back are those of a step of the current.
func (r *Run) StepExpected(f Facts) {
	r.Learn(f)
	r.expectSetPoints()
}

// Stepped takes over what a step of the current told, and completes what is answered by it.
func (r *Run) Stepped(f Facts, by string, result alerts.Step, out *control.StepResult) {
	r.Learn(f)
	out.Text = r.alarms.Stepped(r.lastGood, result) + " The current stays there until it is raised at the supply."
	r.note(r.log.Entry(r.utc(), "step", out.Text, runlog.Text("by", by),
		runlog.Number("before_volts", out.BeforeVolts), runlog.Number("before_amperes", out.BeforeAmperes),
		runlog.Number("after_volts", out.AfterVolts), runlog.Number("after_amperes", out.AfterAmperes),
		runlog.Number("resistance_ohms", out.Ohms), runlog.Number("resistance_standard_uncertainty_ohms", out.OhmsDoubt)))
	r.checkpoint()
}
