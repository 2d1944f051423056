package daemon

import (
	"fmt"
	"math"
	"time"

	"nightcell/drivers"
	"nightcell/integrate"
)

// clockStep is how far the wall clock must leave the run's own time before that is written down.
const clockStep = time.Second

// clockDoubt is how long after a start by the wall clock alone that clock may still be
// set right. A board without a clock of its own begins where it was stopped, or in 1970,
// and learns the time from the network, which may come up late after a power cut. One hour is a choice.
const clockDoubt = time.Hour

// machine is where a timeline learns the time; tests put their own in its place.
type machine struct {
	clock drivers.Clock
	now   func() time.Duration // monotonic, stops in suspend
	utc   func() time.Time     // wall clock, may step
	// boot names this boot and says how long ago it was, suspend included.
	boot func() (id string, since time.Duration, ok bool)
}

func machineOf(c drivers.Clock) machine {
	return machine{clock: c, now: c.Now, utc: c.UTC, boot: bootClock()}
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
// restarts and suspend, with a UTC stamp for each moment that never goes back.
type timeline struct {
	m      machine
	base   time.Duration // run time = m.now() + base
	anchor time.Time     // UTC stamp of run time anchorAt
	at     time.Duration
	awake  time.Duration // since boot less m.now(), at the last look
	boot   string
	behind bool // the wall clock stands behind the stamps, and that has been said

	// Until the run time doubt, a step of the wall clock forward is dark time that was not
	// known when the run was taken up; the next reading then ends a gap once more (longer), by
	// the evidence that was found at that time.
	doubt  time.Duration
	longer bool
	found  integrate.Evidence
}

// newTimeline begins a run's time at zero at the clock's time first, a moment ago.
func newTimeline(m machine, first time.Duration) *timeline {
	t := &timeline{m: m, base: -first, anchor: m.utc().Add(first - m.now())}
	t.boot, t.awake, _ = t.sleep()
	return t
}

// resumeTimeline continues a run whose last moment was last, seen by a process that
// left the landmark mark. dark is how long nobody watched; known is false when
// neither the boot nor the wall clock can tell, and dark is then zero.
func resumeTimeline(m machine, last landmark) (t *timeline, dark time.Duration, known bool) {
	doubt := last.Doubt
	boot, since, ok := m.boot()
	switch {
	case ok && last.Boot == boot && since >= last.Since:
		dark, known = time.Duration(float64(since-last.Since)*m.clock.Speed()), true
	case !m.utc().Before(last.UTC) && !m.utc().Before(last.newest):
		dark, known = m.utc().Sub(last.UTC), true
		doubt = last.At + dark + clockDoubt
	default:
		doubt = math.MaxInt64 // whenever the clock is set, it tells
	}
	t = &timeline{m: m, base: last.At + dark - m.now(), at: last.At + dark, anchor: last.UTC.Add(dark), doubt: doubt, behind: !known}
	if wall := m.utc(); wall.After(t.anchor) && m.clock.Speed() == 1 {
		t.anchor = wall
	}
	t.boot, t.awake, _ = t.sleep()
	return t, dark, known
}

// sleep returns how much longer ago the boot is than the monotonic clock knows.
func (t *timeline) sleep() (boot string, asleep time.Duration, ok bool) {
	boot, since, ok := t.m.boot()
	if !ok || t.m.clock.Speed() != 1 {
		return boot, 0, false
	}
	return boot, since - t.m.now(), true
}

// runTime turns a clock's time into the run's own.
func (t *timeline) runTime(clock time.Duration) time.Duration { return clock + t.base }

// now is the run's own time at this moment.
func (t *timeline) now() time.Duration { return t.runTime(t.m.now()) }

// stamp is the UTC of a moment of the run. It never goes back when the wall clock does.
func (t *timeline) stamp(run time.Duration) time.Time { return t.anchor.Add(run - t.at) }

// landmark is what a later process needs to continue from the given moment.
func (t *timeline) landmark(run time.Duration) landmark {
	l := landmark{At: run, UTC: t.stamp(run), Doubt: t.doubt}
	if boot, since, ok := t.m.boot(); ok {
		ago := time.Duration(float64(t.now()-run) / t.m.clock.Speed())
		l.Boot, l.Since = boot, since-ago
	}
	return l
}

// look compares the clocks. It returns how long the machine slept since the last
// look, which the run's time is moved on by, and a sentence when the wall clock has stepped.
func (t *timeline) look() (slept time.Duration, said string) {
	if _, asleep, ok := t.sleep(); ok {
		if d := asleep - t.awake; d > clockStep {
			slept = d
			t.base += d
		}
		t.awake = asleep
	}
	if t.m.clock.Speed() != 1 {
		return slept, ""
	}
	now, wall := t.now(), t.m.utc()
	ahead := wall.Sub(t.stamp(now))
	doubtful := now < t.doubt
	switch {
	case ahead > clockStep && doubtful:
		t.base += ahead
		t.longer, t.behind = true, false
		t.doubt = min(t.doubt, now+clockDoubt) + ahead // clocks are set in steps: the time of the last shutdown first, then the network's
		said = fmt.Sprintf("the wall clock was set forward by %v: nobody had watched for so much longer than was known when the run was taken up; that is a gap", ahead.Round(time.Millisecond))
	case ahead > clockStep:
		t.anchor, t.at = wall, now
		t.behind = false
		said = fmt.Sprintf("the wall clock stepped forward by %v; charge is counted on the monotonic clock and is not affected", ahead.Round(time.Millisecond))
	case ahead < -clockStep && !t.behind:
		t.behind = true
		if doubtful {
			return slept, fmt.Sprintf("the wall clock was set back by %v: the gap before the run was taken up may be too long by as much; settle it by hand", (-ahead).Round(time.Millisecond))
		}
		said = fmt.Sprintf("the wall clock stepped back by %v; the log's times go on unbroken and charge is not affected", (-ahead).Round(time.Millisecond))
	case ahead > -clockStep:
		t.behind = false
	}
	return slept, said
}
