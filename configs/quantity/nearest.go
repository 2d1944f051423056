package quantity

import "strings"

// Nearest returns the one of known that word is likeliest a slip of, or "".
func Nearest(word string, known []string) string {
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
