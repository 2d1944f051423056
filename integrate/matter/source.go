package matter

import (
	"fmt"
	"strings"
)

// unseen stands for authors in the file where only title and place were seen.
const unseen = "authors not seen"

// Source is where figures of a table come from, as its file says it. A published one states all that a reader needs to
// find the figure: Author (who or which body), Title, Year, and Where in it, such as a page, a table, an appendix or a DOI.
type Source struct {
	Mark                 string // published, or assumed: common practice or memory
	Author, Title, Where string
	Year                 int
	Text                 string // in their place, where nothing is published
}

// Cite returns the mark and the words to print beside a figure.
func (s Source) Cite() (Mark, string) {
	switch s.Mark {
	case "published":
		return Published, strings.TrimPrefix(fmt.Sprintf("%s, %s, %d, %s", s.Author, s.Title, s.Year, s.Where), unseen+", ")
	case "assumed":
		return Assumed, s.Text
	}
	return Unmarked, ""
}
