package configs

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Mistake is one thing that is wrong in a configuration, and where.
type Mistake struct {
	File   string `json:"file"`
	Line   int    `json:"line"` // 0: no line of the file is to blame
	Key    string `json:"key"`  // with its tables: cell.zinc-1.bath.volume
	Wrong  string `json:"wrong"`
	Remedy string `json:"remedy"` // what would be right; may be empty
}

// Error is one line: file:line: key: what is wrong; what would be right.
func (m Mistake) Error() string {
	var b strings.Builder
	b.WriteString(m.File)
	if m.Line > 0 {
		fmt.Fprintf(&b, ":%d", m.Line)
	}
	if m.Key != "" {
		b.WriteString(": " + m.Key)
	}
	b.WriteString(": " + m.Wrong)
	if m.Remedy != "" {
		b.WriteString("; " + m.Remedy)
	}
	return b.String()
}

// Mistakes is everything that is wrong in a configuration, in the order of the file. It is the
// error of Parse and Load.
type Mistakes []Mistake

// Error has one line for each mistake.
func (m Mistakes) Error() string {
	lines := make([]string, len(m))
	for i := range m {
		lines[i] = m[i].Error()
	}
	return strings.Join(lines, "\n")
}

// inOrder sorts by line and key, and drops what is said twice.
func (m Mistakes) inOrder() Mistakes {
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	if last := len(m) - 1; last >= 0 && m[last].Line == math.MaxInt { // what stands last has no line of its own
		m[last].Line = 0
	}
	return slices.Compact(m)
}

// nearest returns the one of known that word is likeliest a slip of, or "".
func nearest(word string, known []string) string {
	best, least := "", max(1, len(word)/3)+1
	for _, k := range known {
		if d := distance(strings.ToLower(word), k); d < least || d == least && best != "" && k < best {
			best, least = k, d
		}
	}
	return best
}

// distance counts the letters to insert, drop, change or swap with a neighbour to get from a to b.
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	d := make([][]int, len(s)+1)
	for i := range d {
		d[i] = make([]int, len(t)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(s); i++ {
		for j := 1; j <= len(t); j++ {
			change := d[i-1][j-1]
			if s[i-1] != t[j-1] {
				change++
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, change)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(s)][len(t)]
}
