package report

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// The marks around a cited source: characters that no text from outside may hold.
const openCite, closeCite = "\x02", "\x03"

var citation = regexp.MustCompile(` *` + openCite + `([^` + closeCite + `]*)` + closeCite)

// Cite stands for a source inside a text. Text and page show a number, and each source once, at the end; JSON has the source in
// its place, in brackets.
func Cite(source string) string { return openCite + source + closeCite }

// sources are those cited so far, each once. A nil one leaves them out.
type sources struct{ list []string }

// numbered is a text with the numbers of what it cites.
func (s *sources) numbered(text string) string {
	return citation.ReplaceAllStringFunc(text, func(found string) string {
		if s == nil {
			return ""
		}
		source := citation.FindStringSubmatch(found)[1]
		at := slices.Index(s.list, source)
		if at < 0 {
			at = len(s.list)
			s.list = append(s.list, source)
		}
		return fmt.Sprintf(" [%d]", at+1)
	})
}

// written is a text with what it cites in brackets.
func written(text string) string { return strings.TrimSpace(citation.ReplaceAllString(text, " ($1)")) }
