package solution

import (
	"regexp"
	"testing"

	"github.com/BurntSushi/toml"

	"nightcell/integrate/matter"
)

// TestSourcesLeadSomewhere: each published source of constants and solubilities names author, title, year and the place in it,
// and what is assumed says so.
func TestSourcesLeadSomewhere(t *testing.T) {
	for name, text := range map[string]string{"constants": constantsTOML, "solubility": solubilityTOML} {
		var file struct {
			Source               map[string]matter.Source
			Species, Solid, Salt []struct{ Source string }
		}
		if _, err := toml.Decode(text, &file); err != nil {
			t.Fatal(err)
		}
		count := map[string]int{}
		for _, s := range append(append(file.Species, file.Solid...), file.Salt...) {
			count[s.Source]++
		}
		if len(count) == 0 {
			t.Errorf("%s: no row read", name)
		}
		for key, s := range file.Source {
			mark, words := s.Cite()
			switch {
			case mark == matter.Published && (s.Author == "" || s.Title == "" || s.Year < 1800 || !regexp.MustCompile(`\d|[Aa]ppendix|the row of`).MatchString(s.Where) || s.Text != ""):
				t.Errorf("%s, source %s does not lead a reader to a figure: %s", name, key, words)
			case mark != matter.Published && !regexp.MustCompile(`no source|from memory`).MatchString(words):
				t.Errorf("%s, source %s says neither that there is none nor that it is memory: %s", name, key, words)
			}
		}
		t.Logf("%s by source: %v", name, count)
	}
}
