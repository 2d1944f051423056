package configs

import (
	"bytes"
	"fmt"
	"regexp"
)

// deepest is how many parts a key may have, and how many brackets may be open in a line. The TOML library takes
// time that grows with the square of the first, and a place on the stack for each of the second.
const deepest = 16

// longKey is a key with more parts than that, plain or quoted.
var longKey = regexp.MustCompile(fmt.Sprintf(`((?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){%d}`, deepest))

// tooDeep returns the first line that is nested deeper than a configuration can be, and in what; 0 when none is.
func tooDeep(data []byte) (line int, what string) {
	for text := range bytes.Lines(data) {
		line++
		if bytes.HasPrefix(bytes.TrimSpace(text), []byte("#")) {
			continue
		}
		if bytes.Count(text, []byte(".")) >= deepest && longKey.Match(text) {
			return line, fmt.Sprintf("a key of more than %d parts", deepest)
		}
		open := 0
		for _, c := range text {
			switch c {
			case '[', '{':
				if open++; open > deepest {
					return line, fmt.Sprintf("more than %d brackets within each other", deepest)
				}
			case ']', '}':
				open = max(open-1, 0)
			}
		}
	}
	return 0, ""
}
