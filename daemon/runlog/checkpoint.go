package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"strconv"
	"strings"

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

// settingsTable names the fields of settings, in a begin entry and in checkpoints; with those of a second meter if it has one.
func settingsTable(s *integrate.Settings, metered bool) []numbered {
	table := []numbered{
		{key: "gap_after", int: (*int64)(&s.GapAfter)},
		{key: "gain", float: &s.GainRelative},
		{key: "offset", float: &s.OffsetAmperes},
		{key: "resolution", float: &s.ResolutionAmperes},
		{key: "volt_gain", float: &s.VoltGainRelative},
		{key: "volt_offset", float: &s.VoltOffset},
		{key: "volt_resolution", float: &s.VoltResolution},
		{key: "timebase", float: &s.TimebaseRelative},
		{key: "first_zero", float: &s.ZeroAmperes},
		{key: "first_zero_uncertainty", float: &s.ZeroUncertainty},
		{key: "first_factor", float: &s.CorrectionFactor},
		{key: "first_factor_uncertainty", float: &s.CorrectionUncertainty},
	}
	if !metered {
		return table
	}
	m := &s.Meter
	return append(table, numbered{key: meterGain, float: &m.GainRelative}, numbered{key: "meter_offset", float: &m.OffsetAmperes},
		numbered{key: "meter_resolution", float: &m.ResolutionAmperes}, numbered{key: "meter_volt_gain", float: &m.VoltGainRelative},
		numbered{key: "meter_volt_offset", float: &m.VoltOffset}, numbered{key: "meter_volt_resolution", float: &m.VoltResolution})
}

// metered says whether a coulometer has anything of a second meter.
func metered(s *integrate.Settings, a *integrate.Accumulated) bool {
	return s.Meter != integrate.MeterSettings{} || a.Meter != integrate.Meter{}
}

// stateTable names the fields of a state, without those that need a conversion; with those of a second meter if it has one.
func stateTable(s *integrate.Accumulated, metered bool) []numbered {
	table := []numbered{
		{key: "readings", int: &s.Readings},
		{key: "elapsed", int: (*int64)(&s.Elapsed)},
		{key: "observed", int: (*int64)(&s.Observed)},
		{key: "volts", float: &s.LastVolts},
		{key: "amperes", float: &s.LastAmperes},
		{key: "max_amperes", float: &s.MaxAmperes},
		{key: "charge", float: &s.Charge.Total},
		{key: "charge_lost", float: &s.Charge.Compensation},
		{key: "energy", float: &s.Energy.Total},
		{key: "energy_lost", float: &s.Energy.Compensation},
		{key: "volt_seconds", float: &s.VoltSeconds.Total},
		{key: "volt_seconds_lost", float: &s.VoltSeconds.Compensation},
		{key: "pair_first", int: (*int64)(&s.Sampling.First)},
		{key: "pair_amperes", float: &s.Sampling.Amperes},
		{key: "pair_middle", float: &s.Sampling.Middle},
		{key: "curvature", float: &s.Sampling.Curvature.Total},
		{key: "curvature_lost", float: &s.Sampling.Curvature.Compensation},
		{key: "scatter", float: &s.Sampling.Scatter},
		{key: "held", float: &s.Resolution.Held},
		{key: "held_squares", float: &s.Resolution.Squares},
		{key: "zero", float: &s.Zero.Amperes},
		{key: "zero_uncertainty", float: &s.Zero.Uncertainty},
		{key: "factor", float: &s.Correction.Factor},
		{key: "factor_uncertainty", float: &s.Correction.Uncertainty},
	}
	if !metered {
		return table
	}
	m := &s.Meter
	return append(table, numbered{key: "meter_observed", int: (*int64)(&m.Observed)},
		numbered{key: "meter_charge", float: &m.Charge.Total}, numbered{key: "meter_charge_lost", float: &m.Charge.Compensation},
		numbered{key: "meter_energy", float: &m.Energy.Total}, numbered{key: "meter_energy_lost", float: &m.Energy.Compensation},
		numbered{key: "meter_volt_seconds", float: &m.VoltSeconds.Total}, numbered{key: "meter_volt_seconds_lost", float: &m.VoltSeconds.Compensation},
		numbered{key: "meter_held", float: &m.Resolution.Held}, numbered{key: "meter_held_squares", float: &m.Resolution.Squares},
		numbered{key: "lead_readings", int: &m.Leads.Readings}, numbered{key: "lead_power", float: &m.Leads.Power},
		numbered{key: "lead_squares", float: &m.Leads.Squares})
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
