package runlog

import (
	"errors"
	"fmt"
	"time"

	"nightcell/integrate"
)

// Replay does to a coulometer, record by record, what the watch did live. The
// same records in the same order give the same bits.
type Replay struct {
	// Coulometer is nil until the settings are known: from a begin entry or a checkpoint.
	Coulometer *integrate.Coulometer
	Ended      bool
	// Last is the newest reading, and LastNanos the time stamp of the newest record.
	Last      Record
	LastNanos int64
	Line      []byte // of the newest record, with its line feed; valid until the next

	at       time.Duration      // sum of the steps
	evidence integrate.Evidence // of a gap record whose reading has not come yet
	missing  bool               // readings are missing before the next one
	before   int64              // time stamp of the line before the newest
	copying  bool               // the newest lines were copies of earlier ones
	anew     bool               // the log was begun anew, and its first checkpoint carries the totals
}

// Missing says that readings are missing from the log at this place. The reading
// that comes next is then booked as the end of a gap, as long as the time stamps say.
func (p *Replay) Missing() { p.missing = true }

// from makes a checkpoint's coulometer the replay's.
func (p *Replay) from(c *integrate.Coulometer, r *Record) {
	p.Coulometer = c
	sample, _ := c.Last() // of the last reading nothing else is told
	p.Last = Record{Kind: KindReading, Cell: r.Cell, Volts: sample.Volts, Amperes: sample.Amperes, Mode: r.Text("mode"), Output: r.Text("output")}
	p.Last.Nanos, _ = r.Integer("reading_at")
	p.at = c.State().Elapsed
	p.Ended = r.Flag("ended")
	p.evidence, p.missing, p.anew = integrate.Evidence{}, false, false
	p.vouched(r.Nanos)
}

// vouched takes the time stamp of a checkpoint, which vouches for itself.
func (p *Replay) vouched(nanos int64) { p.LastNanos, p.before, p.copying = nanos, nanos, false }

// Carry takes up the checkpoint at the head of a log that was begun anew; any other is left
// alone. It reports whether it did.
func (p *Replay) Carry(r *Record) bool {
	if !p.anew || p.Coulometer != nil || r.Kind != KindCheckpoint {
		return false
	}
	c, err := restore(r)
	if err != nil {
		return false
	}
	p.from(c, r)
	return true
}

// Apply takes one record. The error says that a record does not make sense; it is then not applied.
// Checkpoints are not applied: the caller compares them.
func (p *Replay) Apply(r *Record) error {
	if !p.isNew(r.Nanos) {
		return errTwice
	}
	switch r.Kind {
	case KindReading:
		return p.reading(r)
	case KindGap:
		p.evidence = evidence(r)
	case KindEntry:
		return p.entry(r)
	}
	return nil
}

// errTwice keeps copied lines from being taken again, also where no checkpoint follows yet that would tell.
var errTwice = errors.New("a copy of an earlier line, by its time stamp; counted once")

// isNew reports whether a line is no copy of an earlier one: the log's own stamps strictly
// increase. One that is earlier than the line before, and later than the one before that, is new all the same: it
// is the line before that has a wrong stamp, and a block that was copied begins no later than the line it follows.
func (p *Replay) isNew(nanos int64) bool {
	switch {
	case nanos > p.LastNanos:
		p.before, p.copying = p.LastNanos, false
	case p.copying || nanos <= p.before || nanos == p.LastNanos:
		p.copying = true
		return false
	}
	p.LastNanos = nanos
	return true
}

func (p *Replay) reading(r *Record) error {
	if p.Coulometer == nil {
		// The settings are lost; without them readings still count, but nothing
		// is known of their accuracy.
		p.Coulometer = integrate.NewCoulometer(integrate.Settings{})
	}
	step, e := r.Step, p.evidence
	p.evidence = integrate.Evidence{}
	// After a restart the step counts from the last reading that could be read, so
	// nothing is missing.
	if p.missing && !e.Restarted {
		step, e = p.bridge(r, e)
	}
	p.missing = false
	if _, began := p.Coulometer.Last(); !began {
		step = 0
	}
	_, err := p.Coulometer.Add(integrate.Sample{
		At: p.at + step, Volts: r.Volts, Amperes: r.Amperes,
		Metered: r.Supply.Metered, AtCell: r.Supply.AtCell, SupplyVolts: float64(r.Supply.Volts), SupplySilent: r.Supply.Silent,
	}, e)
	if err != nil {
		return err
	}
	p.at += step
	p.Last.Nanos, p.Last.Volts, p.Last.Amperes = r.Nanos, r.Volts, r.Amperes
	p.Last.Kind, p.Last.Cell, p.Last.Step, p.Last.Mode, p.Last.Output = r.Kind, r.Cell, r.Step, r.Mode, r.Output
	p.Last.Supply = r.Supply
	return nil
}

// bridge returns the step to a reading before which others may be missing. When
// the time stamps say that none is, it is the reading's own step.
func (p *Replay) bridge(r *Record, e integrate.Evidence) (time.Duration, integrate.Evidence) {
	between := time.Duration(r.Nanos - p.Last.Nanos)
	if between <= r.Step+r.Step/2 {
		return r.Step, e
	}
	// The log lost them, not the supply: what it says before and after is all there is.
	return between, integrate.Evidence{
		OnBefore: p.Last.Output != "off", OnAfter: r.Output != "off",
		SameInstrument: true, SetPointsUnchanged: true, Restarted: true,
	}
}

func (p *Replay) entry(r *Record) error {
	kind := r.Text("kind")
	switch kind {
	case EntryBegin:
		s, err := settingsOf(r)
		if err != nil {
			return err
		}
		if p.Coulometer == nil {
			p.Coulometer = integrate.NewCoulometer(s)
		}
	case EntryAnew:
		p.anew = p.Coulometer == nil
	case EntryEnd:
		p.Ended = true
	case EntryLost:
		if n, _ := r.Integer("readings"); n > 0 {
			p.missing = true
		}
	case EntryZero, EntryCheck, EntrySettle, EntryMeter:
		if p.Coulometer == nil {
			return fmt.Errorf("an entry %q before the run began", kind)
		}
		return r.Correct(p.Coulometer)
	}
	return nil
}

// Correct does to a coulometer what an entry zero, check, settle or meter says, after the end as before it; of any other entry
// nothing. The error says that it cannot be done.
func (r *Record) Correct(c *integrate.Coulometer) error {
	switch r.Text("kind") {
	case EntryZero:
		return c.SetZero(integrate.Zero{Amperes: r.Value("amperes"), Uncertainty: r.Value("standard_uncertainty")})
	case EntryCheck:
		return c.SetCorrection(integrate.Correction{Factor: r.Value("factor"), Uncertainty: r.Value("standard_uncertainty")})
	case EntrySettle:
		index, _ := r.Integer("index")
		return c.Settle(int(index), r.Value("low"), r.Value("best"), r.Value("high"))
	case EntryMeter:
		var s integrate.Settings
		for _, n := range settingsTable(&s, true) {
			if n.float != nil {
				*n.float = r.Value(n.key)
			}
		}
		if err := s.Validate(); err != nil {
			return err
		}
		c.SetMeter(s.Meter)
	}
	return nil
}
