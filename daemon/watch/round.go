package watch

import (
	"context"
	"slices"
	"time"

	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

// statusEvery is the run time between looks at set-points and protection, at polls of up to 3 s.
const statusEvery = 30 * time.Second

// round is the way of one reading: from the serial line to the snapshot, and to the hands.
func (c *Cell) round(ctx context.Context) {
	c.takeOrders()
	c.past.CloseLogs(&c.settings.Settings)
	reading := c.read(ctx) // reading; nil when none came
	if ctx.Err() != nil && reading == nil {
		return // stopping; the poll was cut short by us
	}
	if c.run == nil {
		c.await(ctx, reading)
		c.publish()
		return
	}
	c.run.Learn(c.facts())
	c.hearMeters(reading)
	if c.m.now() >= c.statusDue || reading != nil && c.run.EndsGap(reading) {
		_ = c.refreshStatus(ctx) // counted and told there; what is old is not taken for evidence
		c.run.Learn(c.facts())
	}
	c.counted(c.run.Round(reading)) // charge, log, judgement
	c.publish()                     // snapshot
	if c.useHands(ctx) {            // hands
		c.publish()
	}
}

// read asks the supply, and opens the line first where that is due. It returns nil when no good reading came.
func (c *Cell) read(ctx context.Context) *drivers.Reading {
	if !c.link.up() && c.m.now() >= c.link.retryAt {
		c.reattach(ctx)
	}
	if !c.link.up() {
		return nil
	}
	r, err := c.link.supply.Poll(ctx)
	if err != nil {
		if ctx.Err() == nil {
			c.refuse(err)
		}
		return nil
	}
	if c.good > 0 && r.Output != c.reading.Output {
		c.statusDue = c.m.now() // a trip is a likely cause, so it is known when the alarms are judged
	}
	c.reading = r
	c.good++
	c.settings.Observe.Poll(r.Took.Seconds(), c.late.Seconds())
	return &c.reading
}

// counted lets the line begin anew with what it finds out between two counted readings.
func (c *Cell) counted(yes bool) {
	if yes {
		c.link.Swapped, c.link.Silences = false, 0
	}
}

// publish fills in the next snapshot and makes it the newest.
func (c *Cell) publish() {
	s, now := &c.next, c.m.now()
	if c.run == nil {
		if c.past.Why != "" {
			*s = c.past.Final // the books of the run that ended stay in view
		}
		if s.Alarms = c.waiting.alarms; c.past.Alarms() != nil {
			s.Alarms = slices.Concat(c.past.Alarms(), c.waiting.alarms)
		}
	}
	s.At = c.m.UTC()
	s.Waiting = c.run == nil
	s.Link.Up, s.Link.Problem, s.Link.Reconnects = c.link.up(), c.link.problem, c.link.Opened
	s.Link.Identity = c.link.expected
	s.Link.Since = s.At.Add(c.link.Since - now)
	s.Reading.Volts, s.Reading.Amperes = float64(c.reading.Volts), float64(c.reading.Amperes)
	s.Reading.Mode, s.Reading.Output, s.Reading.ByMeter = c.reading.Mode, c.reading.Output, c.reading.Shown.Silent
	s.Reading.At, s.Reading.Mono = c.waiting.readUTC, c.reading.At
	s.Refused = c.refused
	s.Poll = snapshot.Poll{
		EverySeconds: c.settings.Poll.Seconds(), GapAfterSeconds: c.settings.Count.GapAfter.Seconds(), Good: c.good, Bad: c.bad,
		LateSeconds: c.late.Seconds(),
	}
	s.Settings = snapshot.Settings{At: s.At.Add(c.link.Status.At - now), Status: c.link.Status}
	if c.run != nil {
		c.run.Fill(s)
	}
	c.shown.Publish(s)
	c.turned.Store(int64(now))
}
