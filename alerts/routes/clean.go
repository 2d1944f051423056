package routes

import (
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// The longest line and the longest text, in runes, that any route is asked to carry.
const (
	longestLine = 200
	longestText = 4000
)

// Clean returns the notice with every text made harmless: valid UTF-8, no control
// characters, no invisible marks that turn the direction of writing, lines and
// texts of bounded length, figures that are numbers. Names come from a
// configuration and texts from instruments, so neither is trusted. What is over asks
// for nothing that made sense only while it held, on whatever route.
func (n Notice) Clean() Notice {
	for _, line := range []*string{&n.ID, &n.Cell, &n.Supply, &n.Condition, &n.After, &n.State, &n.Subject, &n.Thread} {
		*line = oneLine(*line)
	}
	n.Kind = Kind(oneLine(string(n.Kind)))
	for _, text := range []*string{&n.Text, &n.Meaning, &n.First, &n.Acknowledge} {
		*text = harmless(*text, longestText, true)
	}
	if n.Kind == Cleared {
		n.Meaning, n.First = "", ""
		if n.State != "RTNUN" && n.State != "LTUNK" {
			n.Acknowledge = "" // nobody waits for it
		}
	}
	values := finite(n.Values)
	for name := range values {
		if clean := oneLine(name); clean != name {
			values[clean] = values[name]
			delete(values, name)
		}
	}
	n.Values = values
	return n
}

// finite returns a copy without what is not a number, which JSON cannot carry.
func finite(values map[string]float64) map[string]float64 {
	if values == nil {
		return nil
	}
	kept := make(map[string]float64, len(values))
	for name, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			kept[name] = v
		}
	}
	return kept
}

// oneLine makes s fit for a header, a subject or a label: one bounded line.
func oneLine(s string) string { return strings.TrimSpace(harmless(s, longestLine, false)) }

// harmless bounds s to limit runes and replaces what must not be shown. Line feeds stay where lines are allowed.
func harmless(s string, limit int, lines bool) string {
	var b strings.Builder
	count := 0
	for _, r := range s {
		if count == limit {
			b.WriteString("…")
			break
		}
		switch {
		case r == '\n' && lines:
		case r == utf8.RuneError, unicode.IsControl(r), r == '\u2028', r == '\u2029':
			r = ' '
		case unicode.Is(unicode.Cf, r):
			continue // bidirectional overrides, zero-width characters, byte order marks
		}
		b.WriteRune(r)
		count++
	}
	return b.String()
}
