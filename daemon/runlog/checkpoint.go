package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"

	"nightcell/integrate"
)

// numbered ties a field's name to the place of its value. One table serves for
// writing and for reading, so that the two cannot differ.
type numbered struct {
	key   string
	float *float64
	int   *int64
}

// settingsTable names the fields of settings, in a begin entry and in checkpoints.
func settingsTable(s *integrate.Settings) []numbered {
	return []numbered{
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
}

// stateTable names the fields of a state, without those that need a conversion.
func stateTable(s *integrate.Accumulated) []numbered {
	return []numbered{
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
	table := settingsTable(s)
	fields := make([]Field, 0, len(table)+1)
	for _, n := range table {
		if n.int != nil {
			fields = append(fields, Integer(n.key, *n.int))
		} else {
			fields = append(fields, Number(n.key, *n.float))
		}
	}
	if !s.EarlierDoubts {
		fields = append(fields, Flag(withRipple, true))
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
	if err := readTable(r, settingsTable(&s)); err != nil {
		return s, err
	}
	s.EarlierDoubts = !r.Flag(withRipple)
	return s, s.Validate()
}

// appendState appends a checkpoint's line up to where extra fields may follow.
// head is lineHead's for "crc"; crc and length are of what lies between the checkpoint
// before and this one. It is written without an encoder's help, because a replay
// writes every checkpoint anew to compare it.
func appendState(b, head []byte, c *integrate.Coulometer, crc uint32, length int64, last *Record, ended bool) []byte {
	settings, state, totals := c.Settings(), c.State(), c.Totals()
	b = append(b, head...)
	b = strconv.AppendUint(b, uint64(crc), 10)
	b = append(b, "i,bytes="...)
	b = strconv.AppendInt(b, length, 10)
	b = append(b, "i,ended="...)
	b = strconv.AppendBool(b, ended)
	b = append(b, ",reading_at="...) // of the last reading, as are mode and output
	b = strconv.AppendInt(b, last.Nanos, 10)
	b = append(b, "i,mode="...)
	b = appendString(b, last.Mode)
	b = append(b, ",output="...)
	b = appendString(b, last.Output)
	b = appendTable(b, []numbered{ // for people and tools; derived from the rest
		{key: "total_charge", float: &totals.Charge},
		{key: "total_energy", float: &totals.Energy},
		{key: "standard_uncertainty", float: &totals.StandardUncertainty},
	})
	b = appendTable(b, settingsTable(&settings))
	b = appendTable(b, stateTable(&state.Accumulated))
	if state.Folded != (integrate.GapSums{}) {
		b = appendTable(b, foldedTable(&state.Folded, settings.EarlierDoubts))
	}
	if !settings.EarlierDoubts {
		b = append(b, ',')
		b = append(b, withRipple+"=true,"+rippleKey+"="...)
		b = appendString(b, encodeRipple(state.Ripple[:]))
	}
	b = append(b, ",pair_open="...)
	b = strconv.AppendBool(b, state.Sampling.Open)
	b = append(b, ",gap_count="...)
	b = strconv.AppendInt(b, int64(state.GapCount), 10)
	b = append(b, "i,gaps="...)
	return appendString(b, encodeGaps(state.Gaps))
}

func appendTable(b []byte, table []numbered) []byte {
	for _, n := range table {
		b = append(b, ',')
		b = append(b, n.key...)
		b = n.append(append(b, '='))
		if n.int != nil {
			b = append(b, 'i')
		}
	}
	return b
}

// lastReading returns the last reading before a checkpoint, as far as c and the checkpoint tell it.
func lastReading(c *integrate.Coulometer, r *Record) Record {
	last := Record{Kind: KindReading, Cell: r.Cell, Mode: r.Text("mode"), Output: r.Text("output")}
	last.Nanos, _ = r.Integer("reading_at")
	sample, _ := c.Last()
	last.Volts, last.Amperes = sample.Volts, sample.Amperes
	return last
}

// restore makes the coulometer that a checkpoint describes.
func restore(r *Record) (*integrate.Coulometer, error) {
	settings, err := settingsOf(r)
	if err != nil {
		return nil, err
	}
	var s integrate.State
	if err := readTable(r, stateTable(&s.Accumulated)); err != nil {
		return nil, err
	}
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
	return integrate.Restore(settings, s)
}

const lineSumKey = ",line_crc="

// appendSeal completes a checkpoint's line, which begins at b[start].
func appendSeal(b []byte, start int, nanos int64, extra []Field) ([]byte, error) {
	for _, f := range extra {
		v, ok := value(f.Value)
		switch {
		case !plain(f.Key):
			return b, fmt.Errorf("a checkpoint cannot have a field %q; names use lower-case letters, digits and underscores", f.Key)
		case ok:
			b = append(b, ',')
			b = append(b, f.Key...)
			b = append(b, '=')
			b = v.AppendBytes(b)
		}
	}
	stamp := strconv.AppendInt(nil, nanos, 10)
	own := crc32.Update(crc32.Checksum(b[start:], castagnoli), castagnoli, stamp)
	b = append(b, lineSumKey...)
	b = strconv.AppendUint(b, uint64(own), 10)
	b = append(b, "i "...)
	b = append(b, stamp...)
	return append(b, '\n'), nil
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
	theirs := append(settingsTable(&sa), stateTable(&a.Accumulated)...)
	ours := append(settingsTable(&sb), stateTable(&b.Accumulated)...)
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
	if n.int != nil {
		return strconv.AppendInt(b, *n.int, 10)
	}
	return strconv.AppendFloat(b, *n.float, 'g', -1, 64)
}

// parse is the inverse of append.
func (n numbered) parse(s string) (err error) {
	if n.int != nil {
		*n.int, err = strconv.ParseInt(s, 10, 64)
	} else {
		*n.float, err = strconv.ParseFloat(s, 64)
	}
	return err
}
