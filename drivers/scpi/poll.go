package scpi

import (
	"bytes"
	"context"
	"errors"
	"math"

	"nightcell/drivers"
)

const (
	overCurrent = 1.1  // currents beyond the set-point by more than this factor are refused
	overVoltage = 1.02 // volts beyond the range by more than this factor are refused
	jumpOfRange = 0.01 // a change beyond this part of the range is confirmed
	jumpOfValue = 0.05 // or beyond this part of the value, when the range is not known
	jumpFloor   = 0.02 // volts or amperes, likewise
	maxRounds   = 3    // readings begun in one Poll before it gives up
)

// errOtherChannel says that the answer is good, but of another channel.
var errOtherChannel = errors.New("another channel is selected")

// Poll takes one reading of volts and amperes, and now and then of mode and output
// state. A reading is returned only if nothing odd happened from its first byte to
// its last; a jump is measured again before it is believed.
func (s *Supply) Poll(ctx context.Context) (drivers.Reading, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.ready(ctx); err != nil {
		return drivers.Reading{}, err
	}
	var err error
	for range maxRounds {
		before := s.refusals
		var r drivers.Reading
		if r, err = s.round(ctx); err != nil {
			return drivers.Reading{}, err
		}
		if s.refusals == before { // nothing was odd, even of what was made good
			s.last, s.taken = r, true
			return r, nil
		}
	}
	return drivers.Reading{}, s.refusal(drivers.Unasked, s.anchor, nil)
}

// round is one attempt at a reading.
func (s *Supply) round(ctx context.Context) (drivers.Reading, error) {
	r, err := s.sound(ctx)
	if err != nil {
		return r, err
	}
	jumped := !s.taken || !s.near(r, s.last)
	if jumped {
		if r, err = s.confirm(ctx, r); err != nil {
			return r, err
		}
	}
	r.Mode, r.Output = s.last.Mode, s.last.Output
	if s.sinceState++; jumped || s.settings.StatusEvery > 0 && s.sinceState >= s.settings.StatusEvery {
		if r.Mode, r.Output, err = s.state(ctx); err != nil {
			return r, err
		}
		s.sinceState = 0
	}
	// Asked for together, volts and amperes cannot shift, but a stranger may have taken the
	// instrument's place without the line breaking; a jump is a reason to ask who answers.
	if s.probation || jumped && s.combined() {
		if err := s.prove(ctx); err != nil {
			return r, err
		}
		s.probation = false
	}
	return r, nil
}

// near says whether two readings differ by no more than ordinary change.
func (s *Supply) near(a, b drivers.Reading) bool {
	within := func(x, y, full float64) bool {
		limit := jumpOfRange * full
		if full == 0 {
			limit = jumpOfValue*math.Abs(y) + jumpFloor
		}
		return math.Abs(x-y) <= limit
	}
	return within(float64(a.Volts), float64(b.Volts), float64(s.settings.RangeVolts)) &&
		within(float64(a.Amperes), float64(b.Amperes), float64(s.settings.RangeAmperes))
}

// confirm measures again until a reading agrees with one before it, or with the
// last that was returned, which shows that the jump was a garbled digit. Where
// the cell itself jumps about, the last of a few is taken as it is. Where volts and
// amperes are asked for separately, a jump may also be a shift of all answers by one, which
// repeats itself; so the place is found again first.
func (s *Supply) confirm(ctx context.Context, first drivers.Reading) (drivers.Reading, error) {
	seen := [4]drivers.Reading{first}
	for i := 1; i < len(seen); i++ {
		if !s.combined() {
			s.unsure = true
			if err := s.ready(ctx); err != nil {
				return first, err
			}
		}
		next, err := s.sound(ctx)
		if err != nil {
			return first, err
		}
		if s.taken && s.near(next, s.last) {
			s.note(&drivers.Refusal{Reason: drivers.Unasked, Query: "a second reading", Answer: describe(first) + " was not confirmed"})
			return next, nil
		}
		for _, earlier := range seen[:i] {
			if s.near(next, earlier) {
				return next, nil
			}
		}
		seen[i] = next
	}
	return seen[len(seen)-1], nil
}

// sound takes volts and amperes and refuses what this supply cannot put out.
func (s *Supply) sound(ctx context.Context) (drivers.Reading, error) {
	r, err := s.measure(ctx)
	if err != nil {
		return r, err
	}
	if full := float64(s.settings.RangeVolts); full > 0 && math.Abs(float64(r.Volts)) > overVoltage*full {
		return r, s.refusal(drivers.BeyondVoltage, s.asked(s.volts), []byte(describe(r)))
	}
	if !s.possible(r.Amperes) && s.setAmperes != nil {
		// The set-point may have been raised by hand: ask before refusing.
		if x, ok, err := s.optional(ctx, s.setAmperes); err != nil {
			return r, err
		} else if ok {
			s.setPoint = drivers.Amperes(x)
		}
	}
	if !s.possible(r.Amperes) {
		return r, s.refusal(drivers.BeyondCurrent, s.asked(s.amperes), []byte(describe(r)))
	}
	return r, nil
}

// possible says whether a current is one that the set-point allows, by a tenth and
// a hundredth of the range for the errors of either read-back.
func (s *Supply) possible(a drivers.Amperes) bool {
	limit := float64(s.setPoint)
	if math.IsNaN(limit) {
		limit = float64(s.settings.LimitAmperes)
		if limit == 0 {
			return true
		}
	}
	floor := jumpOfRange * float64(s.settings.RangeAmperes)
	if floor == 0 {
		floor = jumpFloor
	}
	return math.Abs(float64(a)) <= overCurrent*limit+floor
}

// asked is what to name as the query of a refused reading.
func (s *Supply) asked(alone *query) []byte {
	if s.combined() {
		return s.both.text
	}
	return alone.text
}

// measure asks for volts and amperes, in one query if the supply knows it.
func (s *Supply) measure(ctx context.Context) (drivers.Reading, error) {
	if !s.combined() {
		return s.measureSeparately(ctx)
	}
	r, err := s.measureTogether(ctx)
	if err == errOtherChannel { // somebody chose another one at the front panel
		if err := s.address(ctx); err != nil {
			return r, err
		}
		if r, err = s.measureTogether(ctx); err == errOtherChannel {
			return r, s.refusal(drivers.Unasked, s.both.text, []byte("another channel stays selected"))
		}
	}
	if err == nil || s.both.worked || s.volts == nil || s.amperes == nil || !s.note(err) {
		return r, err
	}
	// The combined query has never been answered. If the supply does answer for each
	// alone, it does not know it.
	if err := s.ready(ctx); err != nil {
		return r, err
	}
	if r, err = s.measureSeparately(ctx); err == nil {
		s.knows.separate = true
	}
	return r, err
}

func (s *Supply) measureSeparately(ctx context.Context) (r drivers.Reading, err error) {
	if err := s.address(ctx); err != nil {
		return r, err
	}
	volts, begun, _, err := s.number(ctx, s.volts, s.timeout())
	if err != nil {
		return r, err
	}
	amperes, sent, received, err := s.number(ctx, s.amperes, s.timeout())
	if err != nil {
		return r, err
	}
	r.Volts, r.Amperes = drivers.Volts(volts), drivers.Amperes(amperes)
	r.At, _ = s.stamp(sent, received)
	_, r.Took = s.stamp(begun, received)
	return r, nil
}

func (s *Supply) measureTogether(ctx context.Context) (r drivers.Reading, err error) {
	answer, sent, received, err := s.ask(ctx, s.both.text, s.timeout())
	if err != nil {
		return r, err
	}
	separator := []byte(s.dialect.BothSeparator)
	if s.dialect.Addressing == AddressSelect {
		selected, rest, ok := bytes.Cut(answer, separator)
		if !ok {
			return r, s.refusal(drivers.NotNumeric, s.both.text, answer)
		}
		channel, why := s.dialect.channel(selected, "")
		if !s.dialect.answers(selected, s.dialect.Selected) {
			why = drivers.Unasked
		}
		if why != "" {
			return r, s.refusal(why, s.both.text, answer)
		}
		if int(channel) != s.settings.Channel {
			return r, errOtherChannel
		}
		answer = rest
	}
	var fields [2][]byte
	var ok bool
	if fields[0], fields[1], ok = bytes.Cut(answer, separator); !ok || bytes.Contains(fields[1], separator) {
		return r, s.refusal(drivers.NotNumeric, s.both.text, answer)
	}
	for i, asked := range s.parts {
		if !s.dialect.answers(fields[i], asked) {
			return r, s.refusal(drivers.Unasked, s.both.text, answer)
		}
	}
	if s.dialect.BothAmperesFirst {
		fields[0], fields[1] = fields[1], fields[0]
	}
	volts, why := s.dialect.volts(fields[0], s.dialect.VoltsUnit)
	if why != "" {
		return r, s.refusal(why, s.both.text, answer)
	}
	amperes, why := s.dialect.amperes(fields[1], s.dialect.AmperesUnit)
	if why != "" {
		return r, s.refusal(why, s.both.text, answer)
	}
	s.both.worked = true
	r.Volts, r.Amperes = drivers.Volts(volts), drivers.Amperes(amperes)
	r.At, r.Took = s.stamp(sent, received)
	return r, nil
}

// state asks for mode and output state.
func (s *Supply) state(ctx context.Context) (drivers.Mode, drivers.Output, error) {
	mode, output := drivers.ModeUnknown, drivers.OutputUnknown
	x, ok, err := s.optional(ctx, s.mode)
	if err != nil {
		return mode, output, err
	}
	if ok {
		mode = drivers.Mode(x)
	}
	if x, ok, err = s.optional(ctx, s.output); err != nil {
		return mode, output, err
	}
	if ok {
		output = drivers.OutputOff + drivers.Output(x)
	}
	return mode, output, nil
}
