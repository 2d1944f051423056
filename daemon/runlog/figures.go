package runlog

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"nightcell/integrate"
)

const rippleKey = "ripple"

// rippleTable names no fields: the figures stand in this order.
func rippleTable(s *integrate.Stray) []numbered {
	return []numbered{
		{int: &s.Seen}, {int: (*int64)(&s.First)}, {int: (*int64)(&s.Next)}, {float: &s.Before}, {float: &s.Then},
		{float: &s.Sum}, {int: &s.Count},
	}
}

// encodeRipple writes what is known of the ripple as one string: lags apart by semicolons, figures by spaces.
func encodeRipple(ripple []integrate.Stray) string {
	var b []byte
	for i := range ripple {
		if i > 0 {
			b = append(b, ';')
		}
		for j, n := range rippleTable(&ripple[i]) {
			if j > 0 {
				b = append(b, ' ')
			}
			if n.int != nil {
				b = strconv.AppendInt(b, *n.int, 10)
			} else {
				b = strconv.AppendFloat(b, *n.float, 'g', -1, 64)
			}
		}
	}
	return string(b)
}

func decodeRipple(s string, ripple []integrate.Stray) error {
	all := strings.Split(s, ";")
	if len(all) != len(ripple) {
		return fmt.Errorf("a ripple of %d lags, not %d", len(all), len(ripple))
	}
	for i := range ripple {
		table, words := rippleTable(&ripple[i]), strings.Split(all[i], " ")
		if len(words) != len(table) {
			return fmt.Errorf("a ripple of %d figures, not %d", len(words), len(table))
		}
		for j, n := range table {
			var err error
			if n.int != nil {
				*n.int, err = strconv.ParseInt(words[j], 10, 64)
			} else {
				*n.float, err = strconv.ParseFloat(words[j], 64)
			}
			if err != nil {
				return fmt.Errorf("a ripple that cannot be read: %w", err)
			}
		}
	}
	return nil
}

// encodeGaps writes the gaps as one string: gaps apart by semicolons, figures by spaces.
func encodeGaps(gaps []integrate.Gap) string {
	var b []byte
	for i := range gaps {
		if i > 0 {
			b = append(b, ';')
		}
		g := &gaps[i]
		for _, n := range []int64{int64(g.Index), int64(g.From), int64(g.To)} {
			b = append(strconv.AppendInt(b, n, 10), ' ')
		}
		for _, x := range gapFloats(g) {
			b = append(strconv.AppendFloat(b, *x, 'g', -1, 64), ' ')
		}
		b = append(strconv.AppendBool(b, g.Measured), ' ')
		b = strconv.AppendBool(b, g.Settled)
		if g.LineLost {
			b = append(b, lineLostWord...)
		}
	}
	return string(b)
}

// lineLostWord stands behind a gap during which the supply was out of reach.
const lineLostWord = " lost"

func gapFloats(g *integrate.Gap) []*float64 {
	return []*float64{&g.Best, &g.Low, &g.High, &g.BestJoules, &g.LowJoules, &g.HighJoules,
		&g.AmperesBefore, &g.AmperesAfter, &g.Volts}
}

func decodeGaps(s string) ([]integrate.Gap, error) {
	if s == "" {
		return nil, nil
	}
	var gaps []integrate.Gap
	for _, one := range strings.Split(s, ";") {
		var g integrate.Gap
		one, g.LineLost = strings.CutSuffix(one, lineLostWord)
		floats, words := gapFloats(&g), strings.Split(one, " ")
		if len(words) != 3+len(floats)+2 {
			return nil, fmt.Errorf("a gap of %d figures", len(words))
		}
		var failed error
		integer := func(s string) int64 {
			n, err := strconv.ParseInt(s, 10, 64)
			failed = errors.Join(failed, err)
			return n
		}
		g.Index, g.From, g.To = int(integer(words[0])), time.Duration(integer(words[1])), time.Duration(integer(words[2]))
		for i, x := range floats {
			var err error
			*x, err = strconv.ParseFloat(words[3+i], 64)
			failed = errors.Join(failed, err)
		}
		g.Measured, g.Settled = words[len(words)-2] == "true", words[len(words)-1] == "true"
		if failed != nil {
			return nil, fmt.Errorf("a gap that cannot be read: %w", failed)
		}
		gaps = append(gaps, g)
	}
	return gaps, nil
}
