package daemon

import (
	"math"
	"slices"
	"time"

	"nightcell/daemon/snapshot"
	"nightcell/integrate/bath"
)

// publish fills in the next snapshot and makes it the newest.
func (c *Cell) publish() {
	s := &c.next
	if c.run == nil && c.ended != "" {
		*s = c.final // the books of the run that ended stay in view
		s.Ended, s.EndedWhy = true, c.ended
	}
	if c.run == nil {
		if s.Alarms = c.alone; c.left != nil {
			s.Alarms = slices.Concat(c.left.alarms, c.alone)
		}
	}
	now := c.m.now()
	s.At = c.m.utc()
	s.Waiting = c.run == nil
	s.Link.Up, s.Link.Problem, s.Link.Reconnects = c.link.up(), c.link.problem, c.link.opened
	s.Link.Identity = c.link.expected
	s.Link.Since = s.At.Add(c.link.since - now)
	s.Reading.Volts, s.Reading.Amperes = float64(c.reading.Volts), float64(c.reading.Amperes)
	s.Reading.Mode, s.Reading.Output = c.reading.Mode.String(), c.reading.Output.String()
	s.Reading.At, s.Reading.Mono = c.readUTC, c.reading.At
	s.Refused = c.counts
	s.Poll = snapshot.Poll{
		EverySeconds: c.set.Poll.Seconds(), GapAfterSeconds: c.set.Count.GapAfter.Seconds(), Good: c.good, Bad: c.bad,
		TookSeconds: c.reading.Took.Seconds(), LateSeconds: c.late.Seconds(),
	}
	st := &c.link.status
	s.Settings = snapshot.Settings{
		At:       s.At.Add(st.At - now),
		SetVolts: float64(st.SetVolts), SetAmperes: float64(st.SetAmperes),
		LimitVolts: float64(st.LimitVolts), LimitAmperes: float64(st.LimitAmperes), Tripped: st.Tripped,
	}
	if c.run != nil {
		c.run.fill(c, s)
	}
	c.shown.Publish(s)
	c.turned.Store(int64(now))
}

// blank is a snapshot before anything is known.
func (c *Cell) blank(s *snapshot.Cell) {
	nan := math.NaN()
	*s = snapshot.Cell{PlannedTarget: nan, Name: c.set.Cell, Supply: c.set.Supply, May: c.set.May.String()}
	s.Charge.TargetCoulombs, s.Charge.SecondsToTarget, s.Charge.PlanCoulombs = nan, nan, nan
	s.Charge.TargetUncertainty, s.Charge.JoulesPerKilogram, s.Charge.TheoreticalGrams = nan, nan, nan
	s.Bath = snapshot.Bath{
		DepositGrams: nan, ConcentrationGramPerLitre: nan, OverallEfficiency: nan, MarginalEfficiency: nan,
		CurrentDensity: nan, OfLimitingCurrent: nan, HydrogenLitresPerHour: nan, HydrogenLitres: nan,
		AnodeGasLitresPerHour: nan, AcidGrams: nan, WaterGrams: nan,
	}
	s.Log.DiskFree = nan
	if p := c.set.Plan; p != nil {
		s.Metal, s.AtRest = p.Metal.String(), c.set.Chemistry.AtRest
		s.PlannedTarget = p.Goal.Charge.Value
		s.Charge.TargetCoulombs, s.Charge.TargetUncertainty = p.Goal.Charge.Value, p.Goal.Charge.StandardUncertainty
	}
}

// fill adds what belongs to the open run. It allocates nothing.
func (r *run) fill(c *Cell, s *snapshot.Cell) {
	t := &r.totals
	s.Ended, s.EndedWhy = false, ""
	s.Run, s.Began = r.dir, r.began
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
	s.OffVerified = r.offVerified
	if c.set.Plan != nil {
		r.fillBath(c, s)
	}
	h := r.log.Health()
	s.Log.Bytes, s.Log.Backlog, s.Log.DiskFree, s.Log.Problem = r.log.Offset(), h.BacklogBytes, r.diskFree, ""
	s.Log.LostLines = h.LostLines
	if h.Cause != nil {
		s.Log.Problem = h.Cause.Error()
	}
}

// fillBath adds what the model of the bath says.
func (r *run) fillBath(c *Cell, s *snapshot.Cell) {
	t, st := &r.totals, &r.standing
	amperes := math.Abs(float64(c.reading.Amperes))
	// What passed through a short made neither metal nor gas.
	worked := t.Charge - r.shunted
	// What an assay found still in the bath is not on the cathode, here as in the target.
	efficiency := math.NaN()
	if t.Charge > 0 {
		efficiency = st.Confirmed / (t.Charge * c.plan.equivalent)
	}
	s.Bath.DepositGrams, s.Bath.ConcentrationGramPerLitre = st.Confirmed*1e3, st.Concentration
	s.Bath.OverallEfficiency, s.Bath.MarginalEfficiency, s.Bath.OfLimitingCurrent = efficiency, st.Marginal, st.LoadRatio
	if r.shorted() {
		s.Bath.CurrentDensity = 0
	} else if c.plan.area > 0 {
		s.Bath.CurrentDensity = amperes / c.plan.area
	}
	s.Charge.TargetCoulombs, s.Charge.SecondsToTarget = r.target, st.TimeLeft
	s.Charge.Unconfirmed, s.Charge.TargetWith, s.Charge.TargetWithout = st.Unconfirmed, st.TargetWith, st.TargetWithout
	s.Charge.FinishesAt = time.Time{}
	if st.TimeLeft > 0 && st.TimeLeft < 1e8 {
		s.Charge.FinishesAt = s.At.Add(time.Duration(st.TimeLeft * float64(time.Second)))
	}
	s.Charge.PlanCoulombs, s.Charge.PlanAmperes = r.planned(c), c.plan.amperes
	s.Charge.TheoreticalGrams = t.Charge * c.plan.equivalent * 1e3
	s.Charge.JoulesPerKilogram = math.NaN()
	if st.Confirmed > 0 {
		s.Charge.JoulesPerKilogram = t.Energy / st.Confirmed
	}
	s.Bath.HydrogenLitresPerHour = amperes * hydrogenLitresPerAmpereHour
	s.Bath.HydrogenLitres = worked / 3600 * hydrogenLitresPerAmpereHour * (1 - zeroIfUnknown(st.ConfirmedOverall()))
	s.Bath.AnodeGas = c.set.AnodeGas
	s.Bath.AnodeGasLitresPerHour = amperes * c.set.AnodeLitresPerAmpereHour
	s.Bath.AcidGrams = worked * c.set.AcidGramsPerCoulomb
	s.Bath.WaterGrams = worked * waterGramsPerCoulomb
}

// constants are figures of the plan that every reading needs.
type constants struct {
	amperes    float64 // planned current; NaN without one
	area       float64 // of the cathode, m2; 0 when not stated
	equivalent float64 // kg/C
}

func constantsOf(p *bath.Plan) constants {
	k := constants{amperes: math.NaN(), equivalent: p.Metal.Equivalent(p.Valence).Value}
	given := p.Conditions()
	if given.Current.Known() {
		k.amperes = given.Current.Value
	}
	if given.CathodeArea.Known() {
		k.area = given.CathodeArea.Value
	}
	return k
}

// planned is what would be counted by now at the planned current, up to the target as it lies now, and NaN
// without one. What passed through a short comes on top, because the target moved on with it: who is on plan has won
// what the plan wins by now.
func (r *run) planned(c *Cell) float64 {
	return math.Min(c.plan.amperes*r.totals.Elapsed.Seconds(), r.target-r.shunted) + r.shunted
}

func zeroIfUnknown(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}
