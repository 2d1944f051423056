package run

import (
	"math"
	"time"

	"nightcell/daemon/snapshot"
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
	s.Run, s.Began, s.Reading.At = r.dir, r.began, r.readUTC
	s.Elapsed = t.Elapsed
	s.Reading.Count = uint64(t.Readings)
	s.Cleared, s.ClearedBy = r.cleared.By != "", r.cleared.By
	s.Alarms, s.Blind = r.shown, r.blind
	s.Charge.CountedCoulombs, s.Charge.ObservedCoulombs = t.Charge, t.ObservedCharge
	s.Charge.GapBestCoulombs = t.Charge - t.ObservedCharge
	s.Charge.GapLowCoulombs, s.Charge.GapHighCoulombs = t.GapLow, t.GapHigh
	s.Charge.UncertaintyCoulombs, s.Charge.Budget = t.StandardUncertainty, t.Budget
	s.Charge.Gaps, s.Charge.GapSeconds = t.Gaps, (t.Elapsed - t.Observed).Seconds()
	s.Charge.EnergyJoules, s.Charge.EnergyObserved, s.Charge.EnergyUncertainty = t.Energy, t.ObservedEnergy, t.EnergyStandardUncertainty
	s.Charge.TargetReached, s.Charge.ShuntedCoulombs = r.reached, r.shunted
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
	worked := t.Charge - r.shunted
	// What an assay found still in the bath is not on the cathode, here as in the target.
	efficiency := math.NaN()
	if t.Charge > 0 {
		efficiency = st.Confirmed / (t.Charge * r.plan.equivalent)
	}
	s.Bath.DepositGrams, s.Bath.ConcentrationGramPerLitre = st.Confirmed*1e3, st.Concentration
	s.Bath.OverallEfficiency, s.Bath.MarginalEfficiency, s.Bath.OfLimitingCurrent = efficiency, st.Marginal, st.LoadRatio
	if r.shorted() {
		s.Bath.CurrentDensity = 0
	} else if r.plan.area > 0 {
		s.Bath.CurrentDensity = amperes / r.plan.area
	}
	s.Charge.TargetCoulombs, s.Charge.SecondsToTarget = r.target, st.TimeLeft
	s.Charge.Unconfirmed, s.Charge.TargetWith, s.Charge.TargetWithout = st.Unconfirmed, st.TargetWith, st.TargetWithout
	s.Charge.FinishesAt = time.Time{}
	if st.TimeLeft > 0 && st.TimeLeft < 1e8 {
		s.Charge.FinishesAt = s.At.Add(time.Duration(st.TimeLeft * float64(time.Second)))
	}
	s.Charge.PlanCoulombs, s.Charge.PlanAmperes = r.planned(), r.plan.amperes
	s.Charge.TheoreticalGrams = t.Charge * r.plan.equivalent * 1e3
	s.Charge.JoulesPerKilogram = math.NaN()
	if st.Confirmed > 0 {
		s.Charge.JoulesPerKilogram = t.Energy / st.Confirmed
	}
	s.Bath.HydrogenLitresPerHour = amperes * hydrogenLitresPerAmpereHour
	s.Bath.HydrogenLitres = worked / 3600 * hydrogenLitresPerAmpereHour * (1 - zeroIfUnknown(st.ConfirmedOverall()))
	s.Bath.AnodeGas = r.settings.AnodeGas
	s.Bath.AnodeGasLitresPerHour = amperes * r.settings.AnodeLitresPerAmpereHour
	s.Bath.AcidGrams, s.Bath.AcidName = worked*r.settings.AcidGramsPerCoulomb, r.settings.AcidName
	s.Bath.WaterGrams = worked * r.settings.WaterGramsPerCoulomb
}

func zeroIfUnknown(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}
