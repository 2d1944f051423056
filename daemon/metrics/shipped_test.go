package metrics

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"nightcell/alerts"
	"nightcell/alerts/routes"
)

const shipped = "../../configs"

var (
	ourName  = regexp.MustCompile(`\bnightcell_[a-z0-9_]+`)
	recorded = regexp.MustCompile(`\b(?:cell|bench):nightcell_[a-z0-9_]+:[a-z0-9_]+`)
)

func shippedFile(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(shipped, path))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestShippedFilesNameWhatExists looks up every metric that rules and dashboard speak of.
func TestShippedFilesNameWhatExists(t *testing.T) {
	m := serve(full("zinc-1", len(alerts.Conditions()), 1))
	m.Heartbeat(func() routes.HeartbeatHealth { return routes.HeartbeatHealth{} })
	body, _ := scrape(t, m, "text/plain")
	exists := make(map[string]bool)
	for series := range samples(body) {
		name, _, _ := strings.Cut(series, "{")
		exists[name] = true
	}
	for _, found := range regexp.MustCompile(`(?m)^\s*- record: (\S+)`).FindAllStringSubmatch(shippedFile(t, "prometheus/recording.yml"), -1) {
		exists[found[1]] = true
	}
	used := 0
	for _, path := range []string{"prometheus/recording.yml", "prometheus/alerting.yml", "dashboard/nightcell.json"} {
		text := shippedFile(t, path)
		names := recorded.FindAllString(text, -1)
		names = append(names, ourName.FindAllString(recorded.ReplaceAllString(text, ""), -1)...)
		for _, name := range names {
			used++
			if !exists[name] {
				t.Errorf("%s speaks of %s, which nobody exposes or records", path, name)
			}
		}
	}
	if used < 80 {
		t.Errorf("only %d names found", used)
	}
}

// panel is what of a panel can be wrong without the file being wrong JSON.
type panel struct {
	ID      int
	Type    string
	Title   string
	GridPos struct{ H, W, X, Y int }
	Targets []struct{ Expr, RefID string }
}

// TestDashboard checks the dashboard file's own order: identifiers are unique, panels do
// not overlap, every panel but the headings asks something of the chosen source.
func TestDashboard(t *testing.T) {
	text := shippedFile(t, "dashboard/nightcell.json")
	var d struct {
		UID, Title    string
		SchemaVersion int
		Panels        []panel
		Templating    struct{ List []struct{ Name, Type string } }
	}
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatal(err)
	}
	if d.UID == "" || d.Title == "" || d.SchemaVersion == 0 || len(d.Templating.List) != 3 || len(d.Panels) < 30 {
		t.Errorf("the dashboard lacks its head: %q %q %d, %d variables, %d panels", d.UID, d.Title, d.SchemaVersion, len(d.Templating.List), len(d.Panels))
	}
	ids := make(map[int]bool)
	taken := make(map[[2]int]string)
	for _, p := range d.Panels {
		if ids[p.ID] {
			t.Errorf("panel %q shares its number with another", p.Title)
		}
		ids[p.ID] = true
		if p.GridPos.X+p.GridPos.W > 24 {
			t.Errorf("panel %q is wider than the page", p.Title)
		}
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other, ok := taken[[2]int{x, y}]; ok {
					t.Fatalf("panels %q and %q overlap", p.Title, other)
				}
				taken[[2]int{x, y}] = p.Title
			}
		}
		if (p.Type == "row") != (len(p.Targets) == 0) {
			t.Errorf("panel %q of type %s has %d queries", p.Title, p.Type, len(p.Targets))
		}
		for _, q := range p.Targets {
			if q.Expr == "" || q.RefID == "" {
				t.Errorf("panel %q asks nothing", p.Title)
			}
		}
	}
	if strings.Count(text, `"uid": "${source}"`) < len(d.Panels)-7 {
		t.Error("a panel does not use the chosen source")
	}
}
