package solution

import (
	"regexp"
	"testing"

	"github.com/BurntSushi/toml"

	"nightcell/integrate/matter"
)

// TestSourcesLeadSomewhere: each published source of the constants names author, title, year and the place in it, and what is
// assumed says so.
func TestSourcesLeadSomewhere(t *testing.T) {
	var file struct {
		Source  map[string]matter.Source
		Species []struct{ Source string }
		Solid   []struct{ Source string }
	}
	if _, err := toml.Decode(constantsTOML, &file); err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for _, s := range append(file.Species, file.Solid...) {
		count[s.Source]++
	}
	for key, s := range file.Source {
		mark, text := s.Cite()
		switch {
		case mark == matter.Published && (s.Author == "" || s.Title == "" || s.Year < 1800 || !regexp.MustCompile(`\d|[Aa]ppendix|the row of`).MatchString(s.Where) || s.Text != ""):
			t.Errorf("source %s does not lead a reader to a figure: %s", key, text)
		case mark != matter.Published && !regexp.MustCompile(`no source|from memory`).MatchString(text):
			t.Errorf("source %s says neither that there is none nor that it is memory: %s", key, text)
		}
	}
	t.Logf("constants by source: %v", count)
}
