package scpi

import (
	"context"
	"fmt"
	"math"

	"nightcell/drivers"
)

// Status asks for everything a supply tells about itself, and for nothing twice
// that its firmware does not know. It empties the error queue, which is the only
// thing that asking changes. It ends with the query whose answer is known, so a shift
// among so many answers, or another instrument in the old one's place, shows.
func (s *Supply) Status(ctx context.Context) (drivers.Status, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.ready(ctx); err != nil {
		return drivers.Status{}, err
	}
	for round := 1; ; round++ {
		before := s.refusals
		st, err := s.status(ctx)
		if err == nil && s.refusals == before {
			s.setPoint = st.SetAmperes
			s.last.Mode, s.last.Output, s.sinceState = st.Mode, st.Output, 0
			st.Errors, s.pending = s.pending, nil
			return st, nil
		}
		if round == maxRounds {
			if err == nil {
				err = s.refusal(drivers.Unasked, s.anchor, nil)
			}
			return drivers.Status{}, err
		}
		if err != nil && !s.note(err) {
			return drivers.Status{}, err
		}
		// Something was odd, perhaps a query found to be unknown: all of it again.
		if err := s.ready(ctx); err != nil {
			return drivers.Status{}, err
		}
	}
}

// status is one round of questions. What it takes from the error queue goes into pending.
func (s *Supply) status(ctx context.Context) (st drivers.Status, err error) {
	if err := s.address(ctx); err != nil {
		return st, err
	}
	if err := s.emptyQueue(ctx); err != nil {
		return st, err
	}
	st.Mode, st.Output, err = s.state(ctx)
	if err != nil {
		return st, err
	}
	var levels [4]float64
	for i, q := range []*query{s.setVolts, s.limitVolts, s.setAmperes, s.limitAmperes} {
		x, ok, err := s.optional(ctx, q)
		if err != nil {
			return st, err
		}
		if levels[i] = x; !ok {
			levels[i] = math.NaN()
		}
	}
	st.SetVolts, st.LimitVolts = drivers.Volts(levels[0]), drivers.Volts(levels[1])
	st.SetAmperes, st.LimitAmperes = drivers.Amperes(levels[2]), drivers.Amperes(levels[3])
	if st.Tripped, err = s.tripped(ctx); err != nil {
		return st, err
	}
	if err := s.prove(ctx); err != nil {
		return st, err
	}
	s.probation = false
	st.At = s.clock.Now()
	return st, nil
}

// tripped names the protections that have acted.
func (s *Supply) tripped(ctx context.Context) ([]string, error) {
	var said [3]float64
	for i, q := range []*query{s.tripVolts, s.tripAmperes, s.trips} {
		var err error
		if said[i], _, err = s.optional(ctx, q); err != nil {
			return nil, err
		}
	}
	bits, d := uint16(said[2]), &s.dialect
	var names []string
	if said[0] != 0 || bits&d.TripsVolts != 0 {
		names = append(names, "over-voltage")
	}
	if said[1] != 0 || bits&d.TripsAmperes != 0 {
		names = append(names, "over-current")
	}
	if bits&d.TripTemperature != 0 {
		names = append(names, "over-temperature")
	}
	return names, nil
}

func describe(r drivers.Reading) string {
	return fmt.Sprintf("%g V, %g A", float64(r.Volts), float64(r.Amperes))
}
