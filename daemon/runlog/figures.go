package runlog

import (
	"errors"
	"fmt"
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

// encodeRow writes the figures of a table as one string, apart by spaces. Rows stand apart by semicolons.
func encodeRow(table []numbered) string {
	var b []byte
	for i, n := range table {
		if i > 0 {
			b = append(b, ' ')
		}
		b = n.append(b)
	}
	return string(b)
}

func decodeRow(s string, table []numbered) (err error) {
	words := strings.Split(s, " ")
	if len(words) != len(table) {
		return fmt.Errorf("%d figures, not %d", len(words), len(table))
	}
	for i, n := range table {
		err = errors.Join(err, n.parse(words[i]))
	}
	return err
}

// encodeRipple writes what is known of the ripple as one string, a row for each lag.
func encodeRipple(ripple []integrate.Stray) string {
	rows := make([]string, len(ripple))
	for i := range ripple {
		rows[i] = encodeRow(rippleTable(&ripple[i]))
	}
	return strings.Join(rows, ";")
}

func decodeRipple(s string, ripple []integrate.Stray) (err error) {
	rows := strings.Split(s, ";")
	if len(rows) != len(ripple) {
		return fmt.Errorf("a ripple of %d lags, not %d", len(rows), len(ripple))
	}
	for i := range ripple {
		err = errors.Join(err, decodeRow(rows[i], rippleTable(&ripple[i])))
	}
	if err != nil {
		return fmt.Errorf("a ripple that cannot be read: %w", err)
	}
	return nil
}

// lineLostWord stands behind a gap during which the supply was out of reach.
const lineLostWord = " lost"

// gapTable names no fields either. index is the gap's.
func gapTable(g *integrate.Gap, index *int64) []numbered {
	return []numbered{
		{int: index}, {int: (*int64)(&g.From)}, {int: (*int64)(&g.To)}, {float: &g.Best}, {float: &g.Low}, {float: &g.High},
		{float: &g.BestJoules}, {float: &g.LowJoules}, {float: &g.HighJoules},
		{float: &g.AmperesBefore}, {float: &g.AmperesAfter}, {float: &g.Volts}, {flag: &g.Measured}, {flag: &g.Settled},
	}
}

// encodeGaps writes the gaps as one string, a row for each.
func encodeGaps(gaps []integrate.Gap) string {
	rows := make([]string, len(gaps))
	for i := range gaps {
		index := int64(gaps[i].Index)
		if rows[i] = encodeRow(gapTable(&gaps[i], &index)); gaps[i].LineLost {
			rows[i] += lineLostWord
		}
	}
	return strings.Join(rows, ";")
}

func decodeGaps(s string) ([]integrate.Gap, error) {
	if s == "" {
		return nil, nil
	}
	var gaps []integrate.Gap
	for row := range strings.SplitSeq(s, ";") {
		var g integrate.Gap
		var index int64
		row, g.LineLost = strings.CutSuffix(row, lineLostWord)
		if err := decodeRow(row, gapTable(&g, &index)); err != nil {
			return nil, fmt.Errorf("a gap that cannot be read: %w", err)
		}
		g.Index = int(index)
		gaps = append(gaps, g)
	}
	return gaps, nil
}
