package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightcell/integrate"
)

// numbered ties a field's name to the place of its value. One table serves for
// writing and for reading, so that the two cannot differ.
type numbered struct {
	key   string
	float *float64
	int   *int64
	flag  *bool
}

// meterGain is the first field of those that only a run with a second meter has.
const meterGain = "meter_gain"

// named ties names to the places of their values: a name, a place, and so on.
func named(pairs ...any) []numbered {
	table := make([]numbered, len(pairs)/2)
	for i := range table {
		table[i].key = pairs[2*i].(string)
		switch place := pairs[2*i+1].(type) {
		case *float64:
			table[i].float = place
		case *time.Duration:
			table[i].int = (*int64)(place)
		case *int64:
			table[i].int = place
		}
	}
	return table
}

// settingsTable names the fields of settings, in a begin entry and in checkpoints; with those of a second meter if it has one.
func settingsTable(s *integrate.Settings, metered bool) []numbered {
	table := named("gap_after", &s.GapAfter, "gain", &s.GainRelative, "offset", &s.OffsetAmperes, "resolution", &s.ResolutionAmperes,
		"volt_gain", &s.VoltGainRelative, "volt_offset", &s.VoltOffset, "volt_resolution", &s.VoltResolution, "timebase", &s.TimebaseRelative,
		"first_zero", &s.ZeroAmperes, "first_zero_uncertainty", &s.ZeroUncertainty,
		"first_factor", &s.CorrectionFactor, "first_factor_uncertainty", &s.CorrectionUncertainty)
	if m := &s.Meter; metered {
		table = append(table, named(meterGain, &m.GainRelative, "meter_offset", &m.OffsetAmperes, "meter_resolution", &m.ResolutionAmperes,
			"meter_volt_gain", &m.VoltGainRelative, "meter_volt_offset", &m.VoltOffset, "meter_volt_resolution", &m.VoltResolution)...)
	}
	return table
}

// metered says whether a coulometer has anything of a second meter.
func metered(s *integrate.Settings, a *integrate.Accumulated) bool {
	return s.Meter != integrate.MeterSettings{} || a.Meter != integrate.Meter{}
}

// stateTable names the fields of a state, without those that need a conversion; with those of a second meter if it has one.
func stateTable(s *integrate.Accumulated, metered bool) []numbered {
	table := named("readings", &s.Readings, "elapsed", &s.Elapsed, "observed", &s.Observed,
		"volts", &s.LastVolts, "amperes", &s.LastAmperes, "max_amperes", &s.MaxAmperes,
		"charge", &s.Charge.Total, "charge_lost", &s.Charge.Compensation, "energy", &s.Energy.Total, "energy_lost", &s.Energy.Compensation,
		"volt_seconds", &s.VoltSeconds.Total, "volt_seconds_lost", &s.VoltSeconds.Compensation,
		"pair_first", &s.Sampling.First, "pair_amperes", &s.Sampling.Amperes, "pair_middle", &s.Sampling.Middle,
		"curvature", &s.Sampling.Curvature.Total, "curvature_lost", &s.Sampling.Curvature.Compensation, "scatter", &s.Sampling.Scatter,
		"held", &s.Resolution.Held, "held_squares", &s.Resolution.Squares, "zero", &s.Zero.Amperes, "zero_uncertainty", &s.Zero.Uncertainty,
		"factor", &s.Correction.Factor, "factor_uncertainty", &s.Correction.Uncertainty)
	if m := &s.Meter; metered {
		table = append(table, named("meter_observed", &m.Observed, "meter_charge", &m.Charge.Total, "meter_charge_lost", &m.Charge.Compensation,
			"meter_energy", &m.Energy.Total, "meter_energy_lost", &m.Energy.Compensation,
			"meter_volt_seconds", &m.VoltSeconds.Total, "meter_volt_seconds_lost", &m.VoltSeconds.Compensation,
			"meter_held", &m.Resolution.Held, "meter_held_squares", &m.Resolution.Squares,
			"lead_readings", &m.Leads.Readings, "lead_power", &m.Leads.Power, "lead_squares", &m.Leads.Squares)...)
	}
	return table
}

// foldedTable names the sums over the gaps that are not kept apart; they are
// written only when there are such gaps.
func foldedTable(f *integrate.GapSums, withoutRipple bool) []numbered {
	var table []numbered
	sums := []*float64{
		&f.Best, &f.Low, &f.High, &f.BestJoules, &f.LowJoules, &f.HighJoules, &f.Variance, &f.VarianceJoules,
		&f.Seconds, &f.MeasuredBest, &f.MeasuredJoules, &f.MeasuredVoltSeconds, &f.MeasuredSeconds,
	}
	if !withoutRipple {
		for i := range f.Ripple {
			sums = append(sums, &f.Ripple[i])
		}
	}
	for i, sum := range sums {
		table = append(table, numbered{key: "folded_" + strconv.Itoa(i), float: sum})
	}
	return table
}

// withRipple is the flag of settings whose gaps take the ripple into account. A log
// that lacks it was begun before that was known, and is counted without to its end.
const withRipple = "ripple_in_gaps"

func settingsFields(s *integrate.Settings) []Field {
	fields := fieldsOf(settingsTable(s, s.Meter != integrate.MeterSettings{}))
	if !s.EarlierDoubts {
		fields = append(fields, Flag(withRipple, true))
	}
	return fields
}

// fieldsOf are the fields of a table as they are now.
func fieldsOf(table []numbered) []Field {
	fields := make([]Field, len(table))
	for i, n := range table {
		if n.int != nil {
			fields[i] = Integer(n.key, *n.int)
		} else {
			fields[i] = Number(n.key, *n.float)
		}
	}
	return fields
}

func readTable(r *Record, table []numbered) error {
	for _, n := range table {
		var ok bool
		if n.int != nil {
			*n.int, ok = r.Integer(n.key)
		} else {
			*n.float, ok = r.Number(n.key)
		}
		if !ok {
			return fmt.Errorf("the %s has no %s", r.Kind, n.key)
		}
	}
	return nil
}

// settingsOf returns the coulometer's settings from a begin entry or a checkpoint.
func settingsOf(r *Record) (integrate.Settings, error) {
	var s integrate.Settings
	if err := readTable(r, settingsTable(&s, r.find(meterGain) != nil)); err != nil {
		return s, err
	}
	s.EarlierDoubts = !r.Flag(withRipple)
	return s, s.Validate()
}

// stateFields are a checkpoint's own. crc and length are of what lies between the checkpoint
// before and this one.
func stateFields(c *integrate.Coulometer, crc uint32, length int64, last *Record, ended bool) []Field {
	settings, state, totals := c.Settings(), c.State(), c.Totals()
	metered := metered(&settings, &state.Accumulated)
	fields := slices.Concat([]Field{
		Integer("crc", int64(crc)), Integer("bytes", length), Flag("ended", ended),
		Integer("reading_at", last.Nanos), Text("mode", last.Mode), Text("output", last.Output), // of the last reading
		Number("total_charge", totals.Charge), Number("total_energy", totals.Energy), // for people and tools; derived from the rest
		Number("standard_uncertainty", totals.StandardUncertainty),
	}, fieldsOf(settingsTable(&settings, metered)), fieldsOf(stateTable(&state.Accumulated, metered)))
	if metered {
		fields = append(fields, Integer(formatField, Format), Text(meterGaps, encodeMetered(state.Gaps)),
			Number(meterGaps+"_best", state.Folded.MeterBest), Number(meterGaps+"_seconds", state.Folded.MeterSeconds))
	}
	if state.Meter.Last {
		fields = append(fields, Flag(byMeter, true))
	}
	if state.Meter.Blind != 0 {
		fields = append(fields, Number(blindCharge, state.Meter.Blind))
	}
	if state.Folded != (integrate.GapSums{}) {
		fields = append(fields, fieldsOf(foldedTable(&state.Folded, settings.EarlierDoubts))...)
	}
	if !settings.EarlierDoubts {
		fields = append(fields, Flag(withRipple, true), Text(rippleKey, encodeRipple(state.Ripple[:])))
	}
	return append(fields, Flag("pair_open", state.Sampling.Open), Integer("gap_count", int64(state.GapCount)), Text("gaps", encodeGaps(state.Gaps)))
}

// restore makes the coulometer that a checkpoint describes.
func restore(r *Record) (*integrate.Coulometer, error) {
	settings, err := settingsOf(r)
	if err != nil {
		return nil, err
	}
	var s integrate.State
	if err := readTable(r, stateTable(&s.Accumulated, r.find(meterGain) != nil)); err != nil {
		return nil, err
	}
	s.Meter.Last, s.Meter.Blind = r.Flag(byMeter), r.Value(blindCharge)
	count, ok := r.Integer("gap_count")
	if !ok {
		return nil, errors.New("the checkpoint has no gap_count")
	}
	if s.GapCount = int(count); r.find("folded_0") != nil {
		if err := readTable(r, foldedTable(&s.Folded, settings.EarlierDoubts)); err != nil {
			return nil, err
		}
	}
	s.Sampling.Open = r.Flag("pair_open")
	if !settings.EarlierDoubts {
		if err := decodeRipple(r.Text(rippleKey), s.Ripple[:]); err != nil {
			return nil, err
		}
	}
	if s.Gaps, err = decodeGaps(r.Text("gaps")); err != nil {
		return nil, err
	}
	s.Folded.MeterBest, s.Folded.MeterSeconds = r.Value(meterGaps+"_best"), r.Value(meterGaps+"_seconds")
	for _, index := range strings.Fields(r.Text(meterGaps)) {
		for i := range s.Gaps {
			s.Gaps[i].Metered = s.Gaps[i].Metered || strconv.Itoa(s.Gaps[i].Index) == index
		}
	}
	return integrate.Restore(settings, s)
}

// meterGaps are the gaps between readings of a second meter: the indices of those that are kept one by one, and the sums over the others.
const meterGaps = "meter_gaps"

func encodeMetered(gaps []integrate.Gap) string {
	var all []string
	for _, g := range gaps {
		if g.Metered {
			all = append(all, strconv.Itoa(g.Index))
		}
	}
	return strings.Join(all, " ")
}

// byMeter is the flag of a checkpoint whose last current was a second meter's, and blindCharge what that has counted without volts.
const byMeter, blindCharge = "meter_last", "meter_blind"

const lineSumKey = ",line_crc="

// seal completes a line, which begins at b[start].
func seal(b []byte, start int, nanos int64) []byte {
	stamp := strconv.AppendInt(nil, nanos, 10)
	own := crc32.Update(crc32.Checksum(b[start:], castagnoli), castagnoli, stamp)
	return fmt.Appendf(b, "%s%di %s\n", lineSumKey, own, stamp)
}

// vouched reports whether a checkpoint's line, without its line feed, is as it was written.
func vouched(line []byte) bool {
	at := bytes.LastIndex(line, []byte(lineSumKey))
	if at < 0 {
		return false
	}
	own, stamp, ok := bytes.Cut(line[at+len(lineSumKey):], []byte("i "))
	if !ok {
		return false
	}
	sum, err := strconv.ParseUint(string(own), 10, 32)
	return err == nil && uint32(sum) == crc32.Update(crc32.Checksum(line[:at], castagnoli), castagnoli, stamp)
}

// sameCoulometer reports whether two coulometers agree to the last bit; with nil, none does.
func sameCoulometer(a, b *integrate.Coulometer) bool {
	return a != nil && b != nil && a.State().Equal(b.State()) && a.Settings() == b.Settings()
}

// mostDifferences are named of one checkpoint; what follows from them differs too.
const mostDifferences = 4

// differences names the figures in which a checkpoint departs from what the readings before it give, in
// the log's own names and units, each with both values.
func differences(stored, replayed *integrate.Coulometer) []string {
	if replayed == nil {
		return []string{"no readable start of the run before it"}
	}
	var found []string
	a, b := stored.State(), replayed.State()
	sa, sb := stored.Settings(), replayed.Settings()
	theirs := append(settingsTable(&sa, true), stateTable(&a.Accumulated, true)...)
	ours := append(settingsTable(&sb, true), stateTable(&b.Accumulated, true)...)
	for i := range theirs {
		is, should := string(theirs[i].append(nil)), string(ours[i].append(nil))
		if is != should && len(found) < mostDifferences {
			found = append(found, fmt.Sprintf("%s is %s and should be %s", theirs[i].key, is, should))
		}
	}
	if len(found) == 0 {
		found = append(found, "the gaps or the ripple differ")
	}
	return found
}

// append appends the value as the log writes it.
func (n numbered) append(b []byte) []byte {
	switch {
	case n.int != nil:
		return strconv.AppendInt(b, *n.int, 10)
	case n.flag != nil:
		return strconv.AppendBool(b, *n.flag)
	}
	return strconv.AppendFloat(b, *n.float, 'g', -1, 64)
}

// parse is the inverse of append.
func (n numbered) parse(s string) (err error) {
	switch {
	case n.int != nil:
		*n.int, err = strconv.ParseInt(s, 10, 64)
	case n.flag != nil:
		*n.flag, err = strconv.ParseBool(s)
	default:
		*n.float, err = strconv.ParseFloat(s, 64)
	}
	return err
}
