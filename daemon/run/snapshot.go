package run

import (
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/snapshot"
	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Hydrogen of an ampere-hour, from the Faraday constant (CODATA 2018) and the molar volume at 25 °C and one atmosphere.
var hydrogenLitresPerAmpereHour = electrolysis.Hydrogen.GasVolume(3600, 298.15, 101325) * 1e3

// Blank is a snapshot of a cell before anything is known of it.
func Blank(settings *Settings) (s snapshot.Cell) {
	s = snapshot.Cell{PlannedTarget: nan, Name: settings.Cell, Supply: settings.Supply, May: settings.May, Left: settings.Left}
	s.Charge.TargetCoulombs, s.Charge.SecondsToTarget, s.Charge.PlanCoulombs = nan, nan, nan
	s.Charge.TargetUncertainty, s.Charge.JoulesPerKilogram, s.Charge.TheoreticalGrams = nan, nan, nan
	s.Bath = snapshot.Bath{
		DepositGrams: nan, ConcentrationGramPerLitre: nan, OverallEfficiency: nan, MarginalEfficiency: nan,
		CurrentDensity: nan, OfLimitingCurrent: nan, HydrogenLitresPerHour: nan, HydrogenLitres: nan,
		AnodeGasLitresPerHour: nan, AcidGrams: nan, WaterGrams: nan,
	}
	s.Log.DiskFree = nan
	if p := settings.Plan; p != nil {
		s.Metal, s.AtRest = p.Metal.String(), settings.Chemistry.AtRest
		s.Lift = p.Metal.Stop(p.Medium).State == matter.LiftThenOff
		s.PlannedTarget = p.Goal.Charge.Value
		goal := p.Goal.Charge
		s.Charge.TargetCoulombs, s.Charge.TargetUncertainty = goal.Value, goal.StandardUncertainty
		if goal.Skewed() {
			s.Charge.TargetBelow, s.Charge.TargetAbove = goal.Value-goal.Low, goal.High-goal.Value
		}
	}
	return s
}

// Fill adds what belongs to the open run. It allocates nothing.
func (r *Run) Fill(s *snapshot.Cell) {
	t := &r.totals
	s.Ended, s.EndedWhy = false, ""
	s.Run, s.Began, s.Reading.At = r.dir, r.Began, r.readUTC
	s.Elapsed = t.Elapsed
	s.Reading.Count = uint64(t.Readings)
	s.Cleared, s.ClearedBy = r.Cleared.By != "", r.Cleared.By
	s.Alarms, s.Blind = r.shown, r.blind
	s.Charge.CountedCoulombs, s.Charge.ObservedCoulombs = t.Charge, t.ObservedCharge
	s.Charge.GapLowCoulombs, s.Charge.GapHighCoulombs = t.GapLow, t.GapHigh
	s.Charge.UncertaintyCoulombs, s.Charge.Budget = t.StandardUncertainty, t.Budget
	s.Charge.MeterCoulombs, s.Charge.Leads = t.MeterCharge, t.Leads
	s.Charge.Gaps, s.Charge.GapSeconds = t.Gaps, (t.Elapsed - t.Observed).Seconds()
	s.Charge.EnergyJoules, s.Charge.EnergyObserved, s.Charge.EnergyUncertainty = t.Energy, t.ObservedEnergy, t.EnergyStandardUncertainty
	s.Charge.TargetReached, s.Charge.ShuntedCoulombs = r.Reached, r.Shunted
	s.OffVerified = r.hands.verified
	s.Safe = r.safe()
	if r.settings.Plan != nil {
		r.fillBath(s)
	}
	h := r.log.Health()
	s.Log.Bytes, s.Log.Backlog, s.Log.DiskFree, s.Log.Problem = r.log.Offset(), h.BacklogBytes, r.diskFree, ""
	s.Log.LostLines = h.LostLines
	if h.Cause != nil {
		s.Log.Problem = h.Cause.Error()
	}
}

// fillBath adds what the model of the bath says.
func (r *Run) fillBath(s *snapshot.Cell) {
	t, st := &r.totals, &r.standing
	amperes := math.Abs(float64(r.reading.Amperes))
	// What passed through a short made neither metal nor gas.
	worked := t.Charge - r.Shunted
	// What an assay found still in the bath is not on the cathode, here as in the target.
	efficiency := math.NaN()
	if t.Charge > 0 {
		efficiency = st.Confirmed / (t.Charge * r.plan.equivalent)
	}
	s.Bath.DepositGrams, s.Bath.ConcentrationGramPerLitre, s.Bath.ConcentrationUncertainty = st.Confirmed*1e3, st.Concentration, st.ConcentrationDoubt
	s.Charge.TargetUncertainty = st.TargetDoubt
	s.Bath.OverallEfficiency, s.Bath.MarginalEfficiency, s.Bath.OfLimitingCurrent = efficiency, st.Marginal, st.LoadRatio
	if r.shorted() {
		s.Bath.CurrentDensity = 0
	} else if r.plan.area > 0 {
		s.Bath.CurrentDensity = amperes / r.plan.area
	}
	s.Charge.TargetCoulombs, s.Charge.SecondsToTarget = r.target, st.TimeLeft
	s.Charge.Unconfirmed, s.Charge.TargetWith, s.Charge.TargetWithout = st.Unconfirmed, st.TargetWith, st.TargetWithout
	s.Charge.SecondsLow, s.Charge.SecondsHigh = 0, 0
	if creep, ok := r.alarms.Creep(); ok && !math.IsInf(st.TimeLeft, 1) {
		s.Charge.SecondsToTarget = creep.Seconds(st.Left, amperes)
		s.Charge.SecondsLow, s.Charge.SecondsHigh = creep.Bounds(st.Left, amperes)
	}
	s.Charge.FinishesAt = time.Time{}
	if left := s.Charge.SecondsToTarget; left > 0 && left < 1e8 {
		s.Charge.FinishesAt = s.At.Add(time.Duration(left * float64(time.Second)))
	}
	s.Charge.PlanCoulombs, s.Charge.PlanAmperes = r.planned(), r.plan.amperes
	s.Charge.TheoreticalGrams = t.Charge * r.plan.equivalent * 1e3
	s.Charge.JoulesPerKilogram = math.NaN()
	if st.Confirmed > 0 {
		s.Charge.JoulesPerKilogram = t.Energy / st.Confirmed
	}
	s.Bath.HydrogenLitresPerHour = amperes * hydrogenLitresPerAmpereHour
	won := st.ConfirmedOverall()
	if math.IsNaN(won) {
		won = 0
	}
	s.Bath.HydrogenLitres = worked / 3600 * hydrogenLitresPerAmpereHour * (1 - won)
	s.Bath.AnodeGas = r.settings.AnodeGas
	s.Bath.AnodeGasLitresPerHour = amperes * r.settings.AnodeLitresPerAmpereHour
	s.Bath.AcidGrams, s.Bath.AcidName = worked*r.settings.AcidGramsPerCoulomb, r.settings.AcidName
	s.Bath.WaterGrams = worked * r.settings.WaterGramsPerCoulomb
}

// constants are figures of the plan that every reading needs.
type constants struct {
	amperes    float64 // planned current; NaN without one
	area       float64 // of the cathode, m2; 0 when not stated
	equivalent float64 // kg/C
}

func constantsOf(p *bath.Plan) constants {
	k := constants{amperes: nan}
	if p == nil {
		return k
	}
	k.equivalent = p.Metal.Equivalent(p.Valence).Value
	given := p.Conditions()
	if given.Current.Known() {
		k.amperes = given.Current.Value
	}
	if given.CathodeArea.Known() {
		k.area = given.CathodeArea.Value
	}
	return k
}

// advanceBath lets the model of the bath follow a step. While metal bridges the
// electrodes the charge wins nothing: it is counted all the same, and kept apart here.
func (r *Run) advanceBath(step integrate.Step) {
	switch p := r.settings.Plan; {
	case p == nil:
	case r.shorted():
		r.Shunted += step.Coulombs
	default:
		p.Model.Step(step.Coulombs, step.Elapsed.Seconds())
	}
}

// shorted says that metal bridges the electrodes, so that the current wins nothing.
func (r *Run) shorted() bool { return r.alarms.Holds(alerts.HardShort) }

// Reckon works out where the run stands, once for all who need it in this round.
func (r *Run) Reckon() {
	r.totals = r.count.Totals()
	if p := r.settings.Plan; p != nil {
		r.standing = p.Standing(math.Abs(float64(r.reading.Amperes)))
		if r.shorted() {
			r.standing.Marginal, r.standing.LoadRatio, r.standing.TimeLeft = 0, 0, math.Inf(1)
		}
		// What is left ends at zero, so that beyond the target the sum would say that it moves along.
		if at := r.totals.Charge + r.standing.Left; r.standing.Left > 0 || r.target == 0 {
			r.target = at
		} else {
			r.target = math.Min(r.target, at)
		}
	}
}

// planned is what would be counted by now at the planned current, up to the target as it lies now, and NaN
// without one. What passed through a short comes on top, because the target moved on with it: who is on plan has won
// what the plan wins by now.
func (r *Run) planned() float64 {
	return math.Min(r.plan.amperes*r.totals.Elapsed.Seconds(), r.target-r.Shunted) + r.Shunted
}

// lookAtTarget notices that the target is reached.
func (r *Run) lookAtTarget() {
	if r.Reached || r.settings.Plan == nil || r.totals.Readings <= 1 || r.standing.Left > 0 {
		return
	}
	r.Reached = true
	r.note(r.log.Entry(r.utc(), "target", fmt.Sprintf("the target is reached with %s A·h counted",
		quantity.WithDoubt(r.totals.Charge/3600, integrate.CoverageFactor*r.totals.StandardUncertainty/3600))))
	r.checkpoint()
}

// retarget looks whether an entry has moved a target away that was reached before.
func (r *Run) retarget(utc time.Time) {
	if !r.Reached || r.hands.expected || r.settings.Plan == nil {
		return
	}
	if left, _ := r.settings.Plan.Remaining(math.Abs(float64(r.reading.Amperes))); left > 0 {
		r.Reached = false
		delete(r.hands.acted, alerts.TargetReached)
		r.note(r.log.Entry(utc, "target", fmt.Sprintf("the target has moved: %.6g A·h are left", left/3600)))
	}
}
