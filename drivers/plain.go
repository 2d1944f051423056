package drivers

import (
	"strings"
	"unicode"
)

// Plain makes text from outside harmless where it comes in: one line without anything that a terminal, a page or a log would obey
// instead of showing. Control characters (C0, DEL, C1), line separators, and what has no shape of its own, such as marks that turn
// the direction of writing, become spaces; broken UTF-8 becomes U+FFFD. Plain ASCII is returned as it is and costs nothing.
func Plain(s string) string {
	harmless := true
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7e {
			harmless = false
			break
		}
	}
	if harmless {
		return s
	}
	return strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return ' '
	}, strings.ToValidUTF8(s, "\uFFFD"))
}
