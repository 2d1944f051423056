package daemon

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// applyEntry lets coulometer, bath and alarms follow what a person did. The error
// says what cannot be; nothing has been changed then.
func (r *run) applyEntry(c *Cell, e control.Entry) error {
	n := e.Numbers
	if err := errors.Join(need(e), r.plausible(c, e)); err != nil {
		return err
	}
	switch e.Kind {
	case runlog.EntryZero:
		return r.correct(c, func() error {
			err := r.count.SetZero(integrate.Zero{Amperes: n["amperes"], Uncertainty: n["standard_uncertainty"]})
			if err == nil {
				c.atRest = n["amperes"]
			}
			return refusal(err)
		})
	case runlog.EntryCheck:
		return r.correct(c, func() error {
			return refusal(r.count.SetCorrection(integrate.Correction{Factor: n["factor"], Uncertainty: n["standard_uncertainty"]}))
		})
	case runlog.EntryEnd:
		if r.lastOn && c.link.up() {
			return control.Refuse("current still flows in cell %s, and a run is watched as long as it does; switch the output off first", c.set.Cell)
		}
		return nil
	case runlog.EntryBegin, runlog.EntrySettle, runlog.EntryTailCut, runlog.EntryDamage, runlog.EntryLost: // a replay obeys them
		return control.BadRequest("an entry of the kind %s is not written by hand", e.Kind)
	}
	if err := r.applyToBath(c, e); err != nil {
		return refusal(err)
	}
	switch e.Kind {
	case "addition", "water", "electrode":
		r.alarms.Relearn("after an entry: " + e.Kind)
	}
	return nil
}

// plausible refuses figures that can only be a slip of the pen: what they would do to
// the books looks right ever after.
func (r *run) plausible(c *Cell, e control.Entry) error {
	n := e.Numbers
	now := r.time.stamp(r.time.now())
	largest := math.Max(10*c.set.Count.OffsetAmperes, 0.05)
	switch {
	case e.At.After(now.Add(time.Minute)):
		return control.BadRequest("%s has yet to come; say when it was", e.At.Local().Format(time.DateTime))
	case !e.At.IsZero() && e.At.Before(r.began.Add(-7*24*time.Hour)):
		return control.BadRequest("%s is more than a week before the run began, %s", e.At.Local().Format(time.DateTime), r.began.Local().Format(time.DateTime))
	case e.Kind == runlog.EntryZero && !(math.Abs(n["amperes"]) <= largest):
		return control.BadRequest("a zero of %.3g A is no offset of this supply: at most %.3g A is; it is what the ammeter shows while no current flows", n["amperes"], largest)
	case e.Kind == runlog.EntryCheck && !(n["factor"] >= 0.8 && n["factor"] <= 1.25):
		return control.BadRequest("a factor of %.4g cannot be: true current over reading is above zero and within 20 %% of 1, such as 1.002", n["factor"])
	}
	if _, weighed := n["mass_kilograms"]; weighed && e.Kind == "addition" && e.Words["formula"] == "" {
		return control.BadRequest("a mass of what? say formula=… too, such as formula=ZnSO4·7H2O, so that the metal in it can be booked")
	}
	if ph, ok := n["ph"]; ok && !(ph >= -2 && ph <= 16) {
		return control.BadRequest("a pH of %.3g cannot be; it lies from -2 to 16", ph)
	}
	return nil
}

// correct lets the bath follow what change does to the charge that is counted already.
func (r *run) correct(c *Cell, change func() error) error {
	before := r.count.Totals().Charge
	if err := change(); err != nil {
		return err
	}
	if p := c.set.Plan; p != nil {
		p.Model.Correct(r.count.Totals().Charge - before)
	}
	return nil
}

// need refuses an entry without the figure that it is made for: nought is a figure too,
// and an assay that found nothing is another thing than one that nobody wrote down.
func need(e control.Entry) error {
	any := map[string][]string{
		"assay":          {"concentration_moles_per_cubic_metre", "concentration_kilograms_per_cubic_metre"},
		"sample":         {"volume_cubic_metres"},
		"water":          {"volume_cubic_metres"},
		"addition":       {"mass_kilograms", "volume_cubic_metres"},
		runlog.EntryZero: {"amperes"}, runlog.EntryCheck: {"factor"},
	}[e.Kind]
	for _, name := range any {
		if _, ok := e.Numbers[name]; ok {
			return nil
		}
	}
	if any == nil {
		return nil
	}
	return control.BadRequest("an entry of the kind %s needs %s", e.Kind, strings.Join(any, " or "))
}

// undo returns how to take back what applyEntry does to the books.
func (r *run) undo(c *Cell) func() {
	before, rest := r.count.State(), c.atRest
	var bathBefore bath.State
	if p := c.set.Plan; p != nil {
		bathBefore = p.Model.State()
	}
	return func() {
		c.atRest = rest
		err := errors.Join(r.count.SetZero(before.Zero), r.count.SetCorrection(before.Correction))
		if p := c.set.Plan; p != nil {
			err = errors.Join(err, p.Resume(bathBefore))
		}
		r.note(c, err) // these stood there before, so they are accepted again
	}
}

// retarget looks whether an entry has moved a target away that was reached before.
func (r *run) retarget(c *Cell, utc time.Time) {
	if !r.reached || r.offExpected || c.set.Plan == nil {
		return
	}
	if left, _ := c.set.Plan.Remaining(math.Abs(float64(c.reading.Amperes))); left > 0 {
		r.reached = false
		delete(r.acted, alerts.TargetReached)
		r.note(c, r.log.Entry(utc, "target", fmt.Sprintf("the target has moved away: %.6g A·h are left", left/3600)))
	}
}

// followEntries applies entries that were logged after the last checkpoint to the bath.
func (r *run) followEntries(c *Cell, records []runlog.Record) {
	for i := range records {
		rec := &records[i]
		if rec.Kind != runlog.KindEntry {
			continue
		}
		e := control.Entry{Kind: rec.Text("kind"), Numbers: map[string]float64{}, Words: map[string]string{}}
		for _, f := range rec.Fields {
			switch v := f.Value.(type) {
			case float64:
				e.Numbers[f.Key] = v
			case string:
				e.Words[f.Key] = v
			}
		}
		if err := r.applyToBath(c, e); err != nil {
			c.set.Log.Warn("an entry in the log cannot be followed", "cell", c.set.Cell, "kind", e.Kind, "err", err)
		}
	}
}

func refusal(err error) error {
	if err == nil {
		return nil
	}
	return control.BadRequest("%v", err)
}

// applyToBath books additions, samples, water and assays in the model's catholyte.
func (r *run) applyToBath(c *Cell, e control.Entry) error {
	p := c.set.Plan
	if p == nil {
		return nil
	}
	book, n := p.Model.Catholyte(), e.Numbers
	molar := p.Metal.Element.Weight.Value
	concentration := n["concentration_moles_per_cubic_metre"]
	if kg, ok := n["concentration_kilograms_per_cubic_metre"]; ok {
		concentration = kg / molar
	}
	volume := n["volume_cubic_metres"]
	switch e.Kind {
	case "addition":
		mol := concentration * volume
		if formula := e.Words["formula"]; formula != "" {
			f, err := matter.ParseFormula(formula)
			if err != nil {
				return err
			}
			perMole, _ := f.MolarMass()
			assay, ok := n["assay_ratio"]
			if !ok {
				assay = 1
			}
			mol = n["mass_kilograms"] * assay / perMole * f.Count(p.Metal.String())
		} else if n["mass_kilograms"] != 0 {
			return errors.New("an addition by mass needs the formula of what was added")
		}
		return book.Add(mol, math.Max(volume, 0))
	case "water":
		return book.Water(volume)
	case "sample":
		_, err := book.Sample(volume)
		return err
	case "assay":
		_, err := book.Assay(concentration)
		return err
	case "electrode":
		if area, ok := n["area_square_metres"]; ok {
			s := p.Model.State()
			return p.Model.Retune(s.Efficiency, s.MassTransfer, area)
		}
	}
	return nil
}
