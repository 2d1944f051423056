package run

import (
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/integrate"
)

// setPoints are those that the supply told last; NaN while it has told none.
type setPoints struct {
	Volts   drivers.Volts
	Amperes drivers.Amperes
}

var unknownSetPoints = setPoints{Volts: drivers.Volts(nan), Amperes: drivers.Amperes(nan)}

// keep takes over what a status tells.
func (p *setPoints) keep(st *drivers.Status) {
	if !math.IsNaN(float64(st.SetAmperes)) {
		p.Amperes = st.SetAmperes
	}
	if !math.IsNaN(float64(st.SetVolts)) {
		p.Volts = st.SetVolts
	}
}

// EndsGap says whether a reading that has not been counted yet ends a gap, so that the supply is asked for evidence first.
func (r *Run) EndsGap(reading *drivers.Reading) bool {
	if r.fresh || r.slept || r.time.longer || r.lineLost() {
		return true
	}
	after := r.settings.Count.GapAfter
	step := r.time.runTime(reading.At) - r.lastGood
	return after > 0 && step > after || r.missedASwitch(reading)
}

// missedASwitch says whether answers were missing while the current went from one level
// to another: when it did is then not known, however short the time, and a straight line between the two would pretend so.
func (r *Run) missedASwitch(reading *drivers.Reading) bool {
	if r.time.runTime(reading.At)-r.lastGood <= 2*r.settings.Poll {
		return false
	}
	last, ok := r.count.Last()
	return ok && math.Abs(float64(reading.Amperes)-last.Amperes) > 0.1*math.Max(math.Abs(last.Amperes), math.Abs(float64(reading.Amperes)))+2*r.settings.startAmperes()
}

// evidence is what the supply tells about the time since the newest reading. Dark time that
// the wall clock told of later is judged by what was found when the run was taken up.
func (r *Run) evidence() integrate.Evidence {
	if r.time.longer && !r.fresh {
		r.time.longer = false
		return r.time.found
	}
	e := integrate.Evidence{
		OnBefore: r.lastOn, OnAfter: r.live(r.reading),
		SameInstrument: !r.supply.Swapped, SetPointsUnchanged: r.unchanged(),
		LimitAmperes: r.most(), Restarted: r.fresh && r.resumed, LineLost: r.lineLost(),
		Suspended: r.slept, Switched: r.missedASwitch(&r.reading),
	}
	if e.Restarted {
		r.time.found, r.time.longer = e, false
	}
	return e
}

// unchanged says whether set-points and protection are as they were left. Only what
// the supply was asked since the reading before counts for it. Where it does not tell
// its current set-point, a current that is the same before and after speaks for it.
func (r *Run) unchanged() bool {
	st := &r.supply.Status
	if st.At <= r.seen || len(st.Tripped) > 0 || r.supplyRestarted {
		return false
	}
	if now, before := float64(st.SetVolts), float64(r.points.Volts); now != before && !math.IsNaN(now) && !math.IsNaN(before) {
		return false
	}
	if now, before := float64(st.SetAmperes), float64(r.points.Amperes); !math.IsNaN(now) && !math.IsNaN(before) {
		return now == before
	}
	last, _ := r.count.Last()
	return math.Abs(float64(r.reading.Amperes)-last.Amperes) <= 0.02*math.Abs(last.Amperes)+r.settings.Count.ResolutionAmperes
}

// most is the largest current that could have flowed unseen, in A: what the set-points
// before and after allow, else what the supply can do, else the limit it is held against. A
// set-point above what the supply can do is a garbled one. NaN: nobody knows.
func (r *Run) most() float64 {
	a := r.allowed()
	if top := float64(r.settings.MostAmperes); top > 0 && a > top {
		return top
	}
	return a
}

// allowed is what the set-points before and after the newest reading allow, in A.
func (r *Run) allowed() float64 {
	now, before := float64(r.supply.Status.SetAmperes), float64(r.points.Amperes)
	switch {
	case r.supply.Swapped, math.IsNaN(now) && math.IsNaN(before):
		if r.settings.MostAmperes > 0 {
			return float64(r.settings.MostAmperes)
		}
		return r.settings.Limits.Amperes
	case math.IsNaN(now):
		return before
	case math.IsNaN(before):
		return now
	}
	return math.Max(now, before)
}

// lineLost says whether the line was lost and opened anew since the newest reading, or the supply answered
// nothing twice, even to the question who it is. It may have been without power meanwhile, however short
// that was. One missing answer is rather a garbled question.
func (r *Run) lineLost() bool {
	return r.supply.Silences >= 2 || r.reopened()
}

// reopened says whether the line was opened anew since the newest reading.
func (r *Run) reopened() bool {
	return r.supply.Opened > 1 && r.time.runTime(r.supply.Since) > r.lastGood
}

func (r *Run) kindOfGap() string {
	switch {
	case r.fresh && r.resumed:
		return "restart"
	case r.slept:
		return "suspend"
	case r.reopened():
		return "silent"
	}
	return "late"
}

// interruption says in words what the chemistry makes of a gap before which the output was on or not.
func interruption(ch alerts.Chemistry, g integrate.Gap, on bool) string {
	text := fmt.Sprintf("unobserved for %v; between %s A·h passed", g.Length().Round(time.Second), quantity.Between(g.Low/3600, g.High/3600, "and"))
	off := "if the current was off"
	switch {
	case g.Measured && on:
		return text + "; the supply is unchanged, so the current very likely continued"
	case g.Measured:
		off = "the output was off before and after, and very likely throughout"
	}
	switch {
	case ch.InterruptionLimit > 0 && g.Length() <= ch.InterruptionLimit:
		return text + "; " + off + ": the deposit tolerates that"
	case ch.RedissolvesOff:
		return text + "; " + off + ": this bath has dissolved some of the deposit"
	case ch.SpoiledByPause:
		return text + "; " + off + ": further deposit may peel"
	case g.Measured:
		return text + "; " + off
	}
	return text
}
