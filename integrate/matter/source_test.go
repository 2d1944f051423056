package matter

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// lacks says what a reader misses who wants to find a figure. A number of a document data base leads nowhere, and what is
// remembered is not published.
func lacks(s Source) string {
	mark, text := s.Cite()
	switch {
	case mark == Assumed && (s.Author != "" || s.Title != "" || s.Where != "" || s.Year != 0):
		return "it is assumed and names a publication outside of its text"
	case mark == Assumed && !regexp.MustCompile(`no source|from memory|printed nowhere`).MatchString(s.Text):
		return "it says neither that there is no source, nor that it is from memory, nor that it is printed nowhere"
	case mark == Assumed:
		return ""
	case mark != Published:
		return "it has no mark"
	case s.Text != "":
		return "it is published and has words beside its place"
	case s.Author == "" || s.Title == "" || s.Where == "":
		return "author, title or place"
	case s.Year < 1800 || s.Year > 2100:
		return "the year"
	case !regexp.MustCompile(`[0-9]|[Aa]ppendix|the row of`).MatchString(s.Where):
		return "a page, a table, an appendix or a DOI"
	case strings.Contains(text, "memory") || regexp.MustCompile(`\b\d{8,}\b`).MatchString(text):
		return "a place that a reader can go to"
	}
	return ""
}

// TestSourcesLeadSomewhere holds every source of the table of metals to what a reader needs, and every key to a use.
func TestSourcesLeadSomewhere(t *testing.T) {
	var file struct{ Source map[string]Source }
	if _, err := toml.Decode(metalsTOML, &file); err != nil {
		t.Fatal(err)
	}
	used := map[string]int{}
	for _, match := range regexp.MustCompile(`"([a-z0-9-]+)"\]|source = "([a-z0-9-]+)"`).FindAllStringSubmatch(metalsTOML, -1) {
		used[match[1]+match[2]]++
	}
	published := 0
	for key, s := range file.Source {
		if missing := lacks(s); missing != "" {
			t.Errorf("source %s: a reader lacks %s", key, missing)
		}
		if used[key] == 0 {
			t.Errorf("source %s: no figure has it", key)
		}
		if s.Mark == "published" {
			published += used[key]
		}
	}
	t.Logf("%d figures and sentences published, %d common practice, %d from memory", published, used["practice"], used["memory"])
	if published < 40 {
		t.Errorf("only %d figures with a published source found", published)
	}
	for _, e := range elements() {
		if remembered := strings.Contains(e.Weight.Source, "memory"); e.Weight.Known() && remembered == (e.Weight.Mark == Published) {
			t.Errorf("%s: weight %v, %s", e.Symbol, e.Weight.Mark, e.Weight.Source)
		}
	}
}

// TestLacks: what leads nowhere is found.
func TestLacks(t *testing.T) {
	whole := Source{Mark: "published", Author: "A", Title: "B", Year: 2003, Where: "Appendix J"}
	if missing := lacks(whole); missing != "" {
		t.Fatalf("%+v lacks %s", whole, missing)
	}
	for what, spoil := range map[string]func(*Source){
		"no mark":         func(s *Source) { s.Mark = "" },
		"no author":       func(s *Source) { s.Author = "" },
		"no title":        func(s *Source) { s.Title = "" },
		"no year":         func(s *Source) { s.Year = 0 },
		"no place":        func(s *Source) { s.Where = "somewhere in the book" },
		"document number": func(s *Source) { s.Where = "document 1234567890 of a data base" },
		"memory":          func(s *Source) { s.Where = "Table 3; the lower figure is from memory" },
		"beside it":       func(s *Source) { s.Text = "abstract" },
		"assumed":         func(s *Source) { *s = Source{Mark: "assumed", Text: "an article"} },
		"assumed, cited":  func(s *Source) { s.Mark, s.Text = "assumed", "from memory" },
	} {
		s := whole
		if spoil(&s); lacks(s) == "" {
			t.Errorf("%s: %s lacks nothing", what, fmt.Sprint(s))
		}
	}
}
