package runlog

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

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
			b = n.append(b)
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
			if err := n.parse(words[j]); err != nil {
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
		b = append(strconv.AppendInt(b, int64(g.Index), 10), ' ')
		for _, n := range gapTable(g) {
			b = append(n.append(b), ' ')
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

// gapTable names no fields either.
func gapTable(g *integrate.Gap) []numbered {
	return []numbered{
		{int: (*int64)(&g.From)}, {int: (*int64)(&g.To)}, {float: &g.Best}, {float: &g.Low}, {float: &g.High},
		{float: &g.BestJoules}, {float: &g.LowJoules}, {float: &g.HighJoules},
		{float: &g.AmperesBefore}, {float: &g.AmperesAfter}, {float: &g.Volts},
	}
}

func decodeGaps(s string) ([]integrate.Gap, error) {
	if s == "" {
		return nil, nil
	}
	var gaps []integrate.Gap
	for _, one := range strings.Split(s, ";") {
		var g integrate.Gap
		one, g.LineLost = strings.CutSuffix(one, lineLostWord)
		table, words := gapTable(&g), strings.Split(one, " ")
		if len(words) != 1+len(table)+2 {
			return nil, fmt.Errorf("a gap of %d figures", len(words))
		}
		index, failed := strconv.ParseInt(words[0], 10, 64)
		g.Index = int(index)
		for i, n := range table {
			failed = errors.Join(failed, n.parse(words[1+i]))
		}
		g.Measured, g.Settled = words[len(words)-2] == "true", words[len(words)-1] == "true"
		if failed != nil {
			return nil, fmt.Errorf("a gap that cannot be read: %w", failed)
		}
		gaps = append(gaps, g)
	}
	return gaps, nil
}
