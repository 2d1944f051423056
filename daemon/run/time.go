package run

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/integrate"
)

// clockStep is how far the wall clock must leave the run's own time before that is written down.
const clockStep = time.Second

// clockDoubt is how long after a start by the wall clock alone that clock may still be
// set right. A board without a clock of its own begins where it was stopped, or in 1970,
// and learns the time from the network, which may come up late after a power cut. One hour is a choice.
const clockDoubt = time.Hour

// Moment is what the machine's clocks said when the watch read them together.
type Moment struct {
	Mono      time.Duration // monotonic, the clock of the readings; stops in suspend
	UTC       time.Time     // wall clock, may step
	Boot      string        // names this boot; empty where the system does not tell
	SinceBoot time.Duration // suspend included
}

// landmark ties the run's own time to calendar time and to the boot, so that a
// later process can say how long it was dark without trusting the wall clock.
type landmark struct {
	At    time.Duration // run time
	UTC   time.Time
	Boot  string
	Since time.Duration // since boot
	Doubt time.Duration // run time until which the wall clock may still tell of dark time

	newest time.Time // stamp of whatever was written last; zero: UTC
}

// timeline is the run's own time: monotonic from the run's first reading on, through
// restarts and suspend, with a UTC stamp for each moment that never goes back. It reads no clock:
// it stands at the newest moment that it was told.
type timeline struct {
	speed  float64 // of the clocks, against the machine's; 1 but for demonstrations
	told   Moment
	base   time.Duration // run time = Moment.Mono + base
	anchor time.Time     // UTC stamp of run time at
	at     time.Duration
	awake  time.Duration // since boot less Mono, at the last look
	behind bool          // the wall clock stands behind the stamps, and that has been said

	// Until the run time doubt, a step of the wall clock forward is dark time that was not
	// known when the run was taken up; the next reading then ends a gap once more (longer), by
	// the evidence that was found at that time.
	doubt  time.Duration
	longer bool
	found  integrate.Evidence
}

// newTimeline begins a run's time at zero at the clock's time first, a moment before m.
func newTimeline(m Moment, speed float64, first time.Duration) timeline {
	t := timeline{speed: speed, told: m, base: -first, anchor: m.UTC.Add(first - m.Mono)}
	t.awake, _ = t.asleep()
	return t
}

// resumeTimeline continues a run whose last moment was last, seen by a process that
// left the landmark mark. dark is how long nobody watched; known is false when
// neither the boot nor the wall clock can tell, and dark is then zero.
func resumeTimeline(m Moment, speed float64, last landmark) (t timeline, dark time.Duration, known bool) {
	doubt := last.Doubt
	switch {
	case m.Boot != "" && last.Boot == m.Boot && m.SinceBoot >= last.Since:
		dark, known = time.Duration(float64(m.SinceBoot-last.Since)*speed), true
	case !m.UTC.Before(last.UTC) && !m.UTC.Before(last.newest):
		dark, known = m.UTC.Sub(last.UTC), true
		doubt = last.At + dark + clockDoubt
	default:
		doubt = math.MaxInt64 // whenever the clock is set, it tells
	}
	t = timeline{speed: speed, told: m, base: last.At + dark - m.Mono, at: last.At + dark, anchor: last.UTC.Add(dark), doubt: doubt, behind: !known}
	if m.UTC.After(t.anchor) && speed == 1 {
		t.anchor = m.UTC
	}
	t.awake, _ = t.asleep()
	return t, dark, known
}

// asleep returns how much longer ago the boot is than the monotonic clock knows.
func (t *timeline) asleep() (time.Duration, bool) {
	if t.told.Boot == "" || t.speed != 1 {
		return 0, false
	}
	return t.told.SinceBoot - t.told.Mono, true
}

// runTime turns a clock's time into the run's own.
func (t *timeline) runTime(clock time.Duration) time.Duration { return clock + t.base }

// now is the run's own time at the newest moment.
func (t *timeline) now() time.Duration { return t.runTime(t.told.Mono) }

// stamp is the UTC of a moment of the run. It never goes back when the wall clock does.
func (t *timeline) stamp(run time.Duration) time.Time { return t.anchor.Add(run - t.at) }

// landmark is what a later process needs to continue from the given moment.
func (t *timeline) landmark(run time.Duration) landmark {
	l := landmark{At: run, UTC: t.stamp(run), Doubt: t.doubt}
	if t.told.Boot != "" {
		l.Boot, l.Since = t.told.Boot, t.told.SinceBoot-time.Duration(float64(t.now()-run)/t.speed)
	}
	return l
}

// pass moves on to a moment and compares its clocks. It returns how long the machine slept since the
// last one, which the run's time is moved on by, and a sentence when the wall clock has stepped.
func (t *timeline) pass(m Moment) (slept time.Duration, said string) {
	t.told = m
	if asleep, ok := t.asleep(); ok {
		if d := asleep - t.awake; d > clockStep {
			slept = d
			t.base += d
		}
		t.awake = asleep
	}
	if t.speed != 1 {
		return slept, ""
	}
	now := t.now()
	ahead := m.UTC.Sub(t.stamp(now))
	doubtful := now < t.doubt
	switch {
	case ahead > clockStep && doubtful:
		t.base += ahead
		t.longer, t.behind = true, false
		t.doubt = min(t.doubt, now+clockDoubt) + ahead // clocks are set in steps: the time of the last shutdown first, then the network's
		said = fmt.Sprintf("the wall clock was set forward by %s: nightcell was stopped that much longer than known at restart; booked as a gap", quantity.Duration(ahead))
	case ahead > clockStep:
		t.anchor, t.at = m.UTC, now
		t.behind = false
		said = fmt.Sprintf("the wall clock stepped forward by %s; charge is not affected", quantity.Duration(ahead))
	case ahead < -clockStep && !t.behind:
		t.behind = true
		if doubtful {
			return slept, fmt.Sprintf("the wall clock was set back by %s: the gap before the restart may be too long by that much; settle it", quantity.Duration(-ahead))
		}
		said = fmt.Sprintf("the wall clock stepped back by %s; charge and log times are not affected", quantity.Duration(-ahead))
	case ahead > -clockStep:
		t.behind = false
	}
	return slept, said
}

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
	before, now, ok := r.alike(reading)
	return ok && math.Abs(now-before) > 0.1*math.Max(math.Abs(before), math.Abs(now))+2*r.settings.startAmperes()
}

// alike are the currents of the newest counted reading and of one that follows, by the same ammeter, in A; false: none was counted.
func (r *Run) alike(reading *drivers.Reading) (before, now float64, ok bool) {
	last, ok := r.count.Last()
	switch {
	case last.Metered && !reading.Shown.Metered:
		return cmp.Or(r.Own, last.Amperes), float64(reading.Amperes), ok
	case last.Metered:
		return last.Amperes, float64(reading.Amperes), ok
	}
	return last.Amperes, float64(reading.Own()), ok
}

// evidence is what the supply tells about the time since the newest reading. Dark time that
// the wall clock told of later is judged by what was found when the run was taken up.
func (r *Run) evidence() integrate.Evidence {
	if r.time.longer && !r.fresh {
		r.time.longer = false
		return r.time.found
	}
	e := integrate.Evidence{
		OnBefore: r.LastOn, OnAfter: r.live(r.reading),
		SameInstrument: !r.supply.Swapped, SetPointsUnchanged: r.unchanged(),
		LimitAmperes: r.most(), Restarted: r.fresh && r.resumed, LineLost: (r.lineLost() || r.cut || r.reading.Shown.Silent) && !r.bridged(&r.reading),
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
	before, current, _ := r.alike(&r.reading)
	return math.Abs(current-before) <= 0.02*math.Abs(before)+r.settings.Count.ResolutionAmperes
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

// lineLost says whether the line was lost and opened anew since the supply's newest reading, or the supply answered
// nothing twice, even to the question who it is. It may have been without power meanwhile, however short
// that was. One missing answer is rather a garbled question.
func (r *Run) lineLost() bool {
	return r.supply.Silences >= 2 || r.reopened()
}

// reopened says whether the line was opened anew since the supply's newest reading.
func (r *Run) reopened() bool {
	return r.supply.Opened > 1 && r.time.runTime(r.supply.Since) > r.heard
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
	text := fmt.Sprintf("unobserved for %s; between %s A·h passed", quantity.Duration(g.Length()), quantity.Between(g.Low/3600, g.High/3600, "and"))
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
