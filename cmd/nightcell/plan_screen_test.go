package main

import (
	"io"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/creack/pty"

	"nightcell/daemon/housetest"
	"nightcell/integrate/matter"
)

// TestPlanIsOneScreen: for each metal of the table in each medium that is usual for it, as little and as much as may be stated, and for the baths of the
// examples, the first screen has at most 40 lines, of 100 columns and of 80 on a terminal that is no wider, the verdict stands in the first five, dangers before what to do, and it cites no source; what it leaves out
// is behind --full, and the sources stand there once each.
func TestPlanIsOneScreen(t *testing.T) {
	screens := 0
	judge := func(args ...string) {
		t.Helper()
		out, err := runPlanCommand(args...)
		if err != nil {
			return // what makes no bath is refused elsewhere
		}
		judgeScreen(t, strings.Join(args, " "), out, 100)
		judgeScreen(t, strings.Join(args, " "), atWidth(t, 80, append([]string{"plan"}, args...)...), 80)
		screens++
	}
	run := []string{"--volume", "1 L", "--current", "2 A", "--cathode-area", "60 cm2", "--recover", "50 %"}
	for _, bath := range [][]string{
		{"--salt", "Pb(NO3)2", "--salt-mass", "150 g"}, {"--salt", "MnSO4·H2O", "--salt-mass", "100 g", "--separator", "diaphragm"},
		{"--salt", "CrO3", "--salt-mass", "250 g", "--temperature", "50 °C"}, {"--salt", "KAu(CN)2", "--salt-mass", "12 g"},
		{"--salt", "NiSO4·6H2O", "--salt-concentration", "250 g/L", "--salt", "NiCl2·6H2O", "--salt-concentration", "45 g/L", "--salt", "H3BO3", "--salt-concentration", "35 g/L", "--ph", "4"},
	} {
		judge(append(bath, run...)...)
	}
	judge(picklePlan()...)
	judge(zincPlan("--separator", "diaphragm")...)
	if screens != 7 {
		t.Errorf("%d of 7 examples were judged", screens)
	}
	for n, metal := range matter.Metals() {
		if n%housetest.UnderRace(10, 1) != 0 {
			continue
		}
		var media []matter.Medium
		for _, w := range metal.Windows {
			media = append(media, w.Media...)
		}
		for _, medium := range media {
			least := []string{"--metal", metal.String(), "--medium", string(medium), "--volume", "1 L", "--concentration", "20 g/L", "--charge", "2 A h"}
			most := append(least[:len(least):len(least)], "--efficiency", "60 %", "--current", "8 A", "--cathode-area", "1 dm2", "--room-volume", "2 m3", "--separator", "diaphragm", "--chloride", "1 mol/L",
				"--salt", "NH4Cl", "--salt-mass", "30 g", "--salt", "FeCl2", "--salt-mass", "10 g", "--salt", "CuCl2", "--salt-mass", "10 g")
			judge(append(least[:len(least):len(least)], "--current", "1 A")...)
			judge(most...)
		}
	}
	if screens < housetest.UnderRace(10, 60) {
		t.Errorf("only %d plans were judged", screens)
	}
}

// atWidth is what a command prints on a terminal of so many columns.
func atWidth(t *testing.T, columns uint16, args ...string) string {
	t.Helper()
	outside, terminal, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer outside.Close()
	if err := pty.Setsize(outside, &pty.Winsize{Cols: columns, Rows: 40}); err != nil {
		t.Fatal(err)
	}
	printed := make(chan []byte)
	go func() {
		all, _ := io.ReadAll(outside) // ends in an error once the terminal is closed
		printed <- all
	}()
	code := run(args, &shell{in: strings.NewReader(""), out: terminal, err: terminal})
	terminal.Close()
	out := strings.ReplaceAll(string(<-printed), "\r\n", "\n")
	if code != 0 {
		t.Fatalf("%v: exit code %d\n%s", args, code, out)
	}
	return out
}

// TestReportsFitTheTerminal: the sheet of a bath is as wide as the terminal, as a plan and an account are; words that go below lose nothing.
func TestReportsFitTheTerminal(t *testing.T) {
	data := t.TempDir()
	atWidth(t, 80, "bath", "open", "pickle", "metal=Zn", "mass=50 g", "volume=1 L", "--data", data)
	for _, columns := range []uint16{72, 80, 90} {
		out := atWidth(t, columns, "bath", "show", "pickle", "--data", data)
		if !strings.Contains(strings.Join(strings.Fields(out), " "), "assay them") {
			t.Errorf("%d columns: the note is not whole\n%s", columns, out)
		}
		for line := range strings.Lines(out) {
			if utf8.RuneCountInString(line) > int(columns)+1 {
				t.Errorf("%q is wider than %d columns", line, columns)
			}
		}
	}
}

func judgeScreen(t *testing.T, name, out string, columns int) {
	t.Helper()
	lines := strings.Split(strings.TrimSuffix(out, "\n"), "\n")
	if len(lines) > 40 {
		t.Errorf("%s: %d lines\n%s", name, len(lines), out)
	}
	for _, line := range lines {
		if utf8.RuneCountInString(line) > columns {
			t.Errorf("%s: %q is wider than %d columns", name, line, columns)
		}
	}
	if head := strings.Join(lines[:5], "\n"); strings.Contains(out, "Will it plate?") && !strings.Contains(head, "Will it plate?") {
		t.Errorf("%s: no verdict in %q", name, head)
	}
	if dangers, steps := strings.Index(out, "\nDangers\n"), strings.Index(out, "\nWhat to do\n"); dangers < 0 || steps < dangers || !strings.Contains(out, "--full") {
		t.Errorf("%s: dangers at %d, what to do at %d", name, dangers, steps)
	}
	if strings.ContainsAny(out, "\x02\x03") || regexp.MustCompile(`\[\d+\]`).MatchString(out) {
		t.Errorf("%s: a source is cited that is not listed", name)
	}
}

// TestPlanSourcesOnce: whatever a number cites is listed, once, and no listed source stands beside a figure too.
func TestPlanSourcesOnce(t *testing.T) {
	for _, args := range [][]string{zincPlan(), copperPlan("--compare", "2 A", "--taper", "0.5"), picklePlan("--room-volume", "20 m3")} {
		out := planOutput(t, args...)
		text, list, _ := strings.Cut(out, "\nSources\n")
		text, list = strings.Join(strings.Fields(text), " "), strings.Join(strings.Fields(list), " ")
		for _, number := range regexp.MustCompile(`\[\d+\]`).FindAllString(text, -1) {
			if strings.Count(list, number+" ") != 1 {
				t.Errorf("%s is listed %d times", number, strings.Count(list, number+" "))
			}
		}
		sources := regexp.MustCompile(`\[\d+\] `).Split(list, -1)
		if len(sources) < 8 {
			t.Errorf("%d sources: %s", len(sources), list)
		}
		for i, source := range sources[1:] {
			if slices.Contains(sources[:i+1], source) || len(source) > 40 && strings.Contains(text, strings.TrimSpace(source)) {
				t.Errorf("[%d] %q stands twice", i+1, source)
			}
		}
	}
}

// TestPlanCathodes: the text has those that are usual or to be avoided; JSON has all.
func TestPlanCathodes(t *testing.T) {
	out := planOutput(t, zincPlan()...)
	wants(t, out, " V, usual ", " V, avoid ")
	wantsNot(t, out, " V, possible ")
	verdicts := map[string]int{}
	for _, one := range planObject(t, zincPlan()...)["cathode_materials"].([]any) {
		verdicts[one.(map[string]any)["verdict"].(string)]++
	}
	if verdicts["possible"] < 3 || verdicts["usual"] < 2 || verdicts["avoid"] < 2 {
		t.Errorf("%v", verdicts)
	}
}

// TestReadmePlans: README's example prints what README says.
func TestReadmePlans(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	out, err := runPlanCommand(zincPlan("--separator", "diaphragm")...)
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(out, "\n\n")
	if shown := "    " + strings.ReplaceAll(head, "\n", "\n    ") + "\n\n"; !strings.Contains(string(readme), shown) {
		t.Errorf("README does not show\n%s", shown)
	}
}
