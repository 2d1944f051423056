package daemon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

const (
	leastStep = 0.01 // share of the set-point: below it the volts hardly move
	mostStep  = 0.2
	stepPolls = 3 // readings averaged on each side
)

// stepped is what a current step showed.
type stepped struct {
	At      time.Duration `json:"at"` // run time
	Volts   float64       `json:"volts"`
	Amperes float64       `json:"amperes"`
	Ohms    float64       `json:"ohms"`
	Doubt   float64       `json:"doubt"` // standard uncertainty, ohm
}

// Step implements control.Stepper.
func (o operator) Step(ctx context.Context, s control.StepOrder) (control.StepResult, error) {
	c, err := o.cell(s.Cell)
	if err != nil {
		return control.StepResult{}, err
	}
	var out control.StepResult
	err = c.ask(ctx, func(context.Context) error {
		stepCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*handsTimeout)
		defer cancel()
		out, err = c.step(stepCtx, s)
		return err
	})
	return out, err
}

// step lowers the current by a share of its set-point and reads what the volts do.
// It only goes down: the current stays there until a person raises it at the supply.
func (c *Cell) step(ctx context.Context, s control.StepOrder) (out control.StepResult, err error) {
	r := c.run
	switch {
	case !c.set.May.Step:
		return out, control.Refuse(`a current step on cell %s: %w; add "step" to may`, c.set.Cell, errNotAllowed)
	case r == nil || !c.link.up() || !r.lastOn:
		return out, control.Refuse("cell %s has no live run to step", c.set.Cell)
	case !(s.Share >= leastStep && s.Share <= mostStep):
		return out, control.BadRequest("a step of %g: the share lies from %g to %g of the set-point", s.Share, leastStep, mostStep)
	}
	supply, ok := c.link.supply.(drivers.Switcher)
	if !ok {
		return out, errNoHands
	}
	c.refreshStatus(ctx)
	set := c.link.status.SetAmperes
	if math.IsNaN(float64(set)) || c.reading.Mode == drivers.ConstantVoltage {
		return out, control.Refuse("a step needs a supply that tells its current set-point and holds it; this one does not at the moment")
	}
	if out.BeforeVolts, out.BeforeAmperes, err = c.average(ctx); err != nil {
		return out, err
	}
	target := set * drivers.Amperes(1-s.Share)
	if err := supply.SetCurrent(ctx, target); err != nil {
		return out, fmt.Errorf("lowering the current to %.4g A: %w", float64(target), err)
	}
	err = c.link.verify(ctx, func(st drivers.Status, reading drivers.Reading) error {
		if st.SetAmperes > target*1.01+0.002 || reading.Amperes > target*1.02+0.01 {
			return fmt.Errorf("asked for %.4g A, the set-point reads %.4g A and %.4g A flow", float64(target), float64(st.SetAmperes), float64(reading.Amperes))
		}
		return nil
	})
	r.expectSet(c)
	if err != nil {
		return out, err
	}
	if out.AfterVolts, out.AfterAmperes, err = c.average(ctx); err != nil {
		return out, err
	}
	return out, r.conclude(c, s, &out)
}

// average takes some readings, which count like any others.
func (c *Cell) average(ctx context.Context) (volts, amperes float64, err error) {
	var last error
	n := 0
	for range 3 * stepPolls {
		reading, err := c.link.supply.Poll(ctx)
		if err != nil {
			c.refuse(err)
			last = err
			if !c.link.up() {
				break
			}
			continue
		}
		c.reading = reading
		c.good++
		c.run.carryOn(c, true)
		volts, amperes = volts+float64(reading.Volts), amperes+float64(reading.Amperes)
		if n++; n == stepPolls {
			return volts / stepPolls, amperes / stepPolls, nil
		}
	}
	return 0, 0, errors.Join(errors.New("too few good readings for a step"), last)
}

// conclude works out the resistance, compares it with the step before, and writes both down.
func (r *run) conclude(c *Cell, s control.StepOrder, out *control.StepResult) error {
	dv, di := out.BeforeVolts-out.AfterVolts, out.BeforeAmperes-out.AfterAmperes
	if !(di > 0) {
		return fmt.Errorf("the current did not go down: %.4g A before, %.4g A after", out.BeforeAmperes, out.AfterAmperes)
	}
	digit := math.Sqrt2 / math.Sqrt(12) // of a difference of two rounded readings (rectangular, JCGM 100, 4.3.7)
	out.Ohms = dv / di
	out.OhmsDoubt = math.Hypot(digit*c.set.Count.VoltResolution, digit*c.set.Count.ResolutionAmperes*out.Ohms) / di
	now := &stepped{At: r.lastGood, Volts: out.BeforeVolts, Amperes: out.BeforeAmperes, Ohms: out.Ohms, Doubt: out.OhmsDoubt}
	out.Text = fmt.Sprintf("stepped from %.3f A to %.3f A: %.0f ± %.0f mΩ", out.BeforeAmperes, out.AfterAmperes, out.Ohms*1e3, 2e3*out.OhmsDoubt)
	if before := r.stepped; before != nil {
		out.Text += "; " + sinceStep(before, now)
	}
	out.Text += "; the current stays there until it is raised at the supply"
	r.stepped = now
	utc := r.time.stamp(r.time.now())
	r.note(c, r.log.Entry(utc, "step", out.Text, runlog.Text("by", s.By),
		runlog.Number("before_volts", out.BeforeVolts), runlog.Number("before_amperes", out.BeforeAmperes),
		runlog.Number("after_volts", out.AfterVolts), runlog.Number("after_amperes", out.AfterAmperes),
		runlog.Number("resistance_ohms", out.Ohms), runlog.Number("resistance_standard_uncertainty_ohms", out.OhmsDoubt)))
	r.note(c, r.checkpoint(c, utc))
	return nil
}

// sinceStep parts the change of the volts since an earlier step into what resistance
// explains and what it does not. The step's resistance holds the fast part of the kinetics too, about RT/(αF·I), which hardly changes.
func sinceStep(before, now *stepped) string {
	rise := now.Volts - before.Volts
	ohmic := (now.Ohms-before.Ohms)*now.Amperes + before.Ohms*(now.Amperes-before.Amperes)
	words := "neither alone explains it"
	switch share := ohmic / rise; {
	case math.Abs(rise) < 0.03:
		words = "the volts have hardly changed"
	case share > 0.7:
		words = "ohmic: level, diaphragm, contact or a cold bath"
	case share < 0.3:
		words = "not ohmic: an electrode, such as a passive anode or a bath that runs out"
	}
	return fmt.Sprintf("since the step %v before, the volts changed by %+.3f V, of which %+.3f V is resistance: %s",
		(now.At - before.At).Round(time.Minute), rise, ohmic, words)
}
