package simulated

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const scenarios = "../../testdata/scenarios"

func load(t *testing.T, name string) *Scenario {
	t.Helper()
	s, err := LoadScenario(filepath.Join(scenarios, name+".toml"))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// virtual builds an instrument whose time is told by the caller.
func virtual(t *testing.T, s Setup) *Instrument {
	t.Helper()
	if s.Now == nil {
		s.Now = func() time.Duration { return 0 }
	}
	i, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

func shipped(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(scenarios, "*.toml"))
	if err != nil || len(files) < 25 {
		t.Fatalf("%d scenarios found, %v", len(files), err)
	}
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(filepath.Base(f), ".toml"))
	}
	return names
}

// Every shipped file reads cleanly, is named as its file, says its length, and says at its top that its data are invented.
func TestShippedScenarios(t *testing.T) {
	used := map[string]bool{}
	for _, name := range shipped(t) {
		s := load(t, name)
		data, err := os.ReadFile(filepath.Join(scenarios, name+".toml"))
		if err != nil {
			t.Fatal(err)
		}
		if s.Name != name || s.Note == "" || s.Duration == 0 || len(s.Expect) > 0 && s.Within == 0 || !strings.Contains(string(data), "nvented data") {
			t.Errorf("%s: name %q, note %q, duration %v, within %v", name, s.Name, s.Note, s.Duration.duration(), s.Within.duration())
		}
		for _, e := range s.Events {
			used[e.Kind] = true
		}
	}
	for _, k := range Kinds() {
		if !used[k.Name] {
			t.Errorf("no shipped scenario has a %s", k.Name)
		}
	}
}

// conditions are the words a watch has for what it sees; expect must use them.
var conditions = []string{
	"over-current", "current-density", "over-voltage", "voltage-limit", "voltage-drift", "hard-short", "whisker", "lead-off", "contact",
	"ohmic-rise", "anode-passivation", "depletion", "stirrer-stopped", "thermal-runaway", "mode-flip", "set-points-changed", "output-off",
	"protection-tripped", "mains-interruption", "supply-silent", "line-lost", "reading-frozen", "gap-too-long", "uncertainty-large", "charge-behind",
}

// Each condition that a supply and a cell can show has a shipped night that expects it.
func TestExpectations(t *testing.T) {
	seen := map[string]bool{}
	for _, name := range shipped(t) {
		for _, e := range load(t, name).Expect {
			if seen[e] = true; !slices.Contains(conditions, e) {
				t.Errorf("%s expects %q, which is no condition", name, e)
			}
		}
	}
	for _, c := range conditions {
		if !seen[c] {
			t.Errorf("no shipped night expects %s", c)
		}
	}
}

// The commented example has every key that a file may have outside of events.
func TestCommentedExampleIsComplete(t *testing.T) {
	s := load(t, "commented-example")
	for _, p := range []*float64{
		s.Supply.Volts, s.Supply.Amperes, s.Supply.ProtectVolts, s.Supply.ProtectAmperes, s.Supply.NoiseVolts, s.Supply.NoiseAmperes,
		s.Supply.OffsetAmperes, s.Supply.GainAmperes, s.Supply.Bubbles, s.Cell.GramsPerL, s.Cell.Litres, s.Cell.Ohms, s.Cell.Celsius,
		s.Cell.RoomSwing, s.Cell.HeatLoss, s.Cell.HeatCapacity, s.Cell.Transfer, s.Cell.Cover, s.Cell.Margin,
	} {
		if p == nil {
			t.Error("a key is missing from the example")
		}
	}
	if s.Supply.Identity == "" || s.Supply.Output == "" || s.Cell.Metal == "" || s.Cell.Spread == 0 || len(s.Events) < 2 {
		t.Errorf("a key is missing from the example: %+v", s)
	}
}

// The figures of the commented example are the defaults, so that the file documents them.
func TestCommentedExampleShowsTheDefaults(t *testing.T) {
	s := load(t, "commented-example")
	s.Cell.Spread = 0
	want := DefaultChannels()[0]
	got := s.begin(want, 1)
	got.Cell.Concentration = want.Cell.Concentration // rounded in the file
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("the example differs from the defaults:\n%s", d)
	}
}

func TestScenarioMistakes(t *testing.T) {
	for _, c := range []struct {
		name, file string
		want       []string
	}{
		{"syntax", "name = \"x\"\nduration = \n", []string{"x.toml:2: "}},
		{"unknown key at the top", "nam = \"x\"\n", []string{"x.toml:1: nam: is not a key of a scenario"}},
		{"unknown key in a table", "[supply]\nvolts = 3.0\namps = 2\n", []string{"x.toml:3: supply.amps: is not a key"}},
		{"a table of another kind of file", "[supply.bench]\nport = \"x\"\nbaud = 9600\n[page]\nlisten = \"y\"\n",
			[]string{"x.toml:1: supply.bench: is not a key of a scenario; choose from identity, volts,", "x.toml:4: page: is not a key of a scenario; choose from name, note,"}},
		{"bad time", "within = \"soon\"\n", []string{"x.toml:1: ", "\"soon\" is not a time; write it like"}},
		{"negative time", "[[event]]\nkind = \"lead-off\"\nat = \"-1 h\"\n", []string{"x.toml:3: ", "is negative"}},
		{"unknown kind", "[[event]]\nat = \"1 h\"\nkind = \"earthquake\"\n", []string{"x.toml:3: kind: \"earthquake\" is not a kind of event; the kinds are addition, "}},
		{"no kind", "[[event]]\nat = \"1 h\"\n", []string{"x.toml:1: kind: "}},
		{"no time", "\n[[event]]\nkind = \"lead-off\"\n", []string{"x.toml:2: at: is missing"}},
		{"foreign parameter", "[[event]]\nkind = \"lead-off\"\nat = \"1 h\"\nohms = 3.0\n", []string{"x.toml:4: ohms: is not a parameter of lead-off"}},
		{"required", "[[event]]\nkind = \"trip\"\nat = \"1 h\"\n", []string{"x.toml:1: protection: is missing; trip needs it"}},
		{"choice", "[[event]]\nkind = \"trip\"\nat = \"1 h\"\nprotection = \"over-joy\"\n", []string{"x.toml:4: protection: \"over-joy\" is none of over-voltage"}},
		{"chance", "[[event]]\nkind = \"garbage\"\nat = \"1 h\"\nchance = 1.5\n", []string{"x.toml:4: chance: 1.5 must lie from 0 to 1"}},
		{"instant", "[[event]]\nkind = \"brown-out\"\nat = \"1 h\"\nlasts = \"1 s\"\n", []string{"x.toml:4: lasts: brown-out happens at an instant"}},
		{"repeat without end", "[[event]]\nkind = \"silence\"\nat = \"1 h\"\nrepeat = \"1 h\"\n", []string{"lasts: is missing; silence that repeats must end first"}},
		{"overlap", "[[event]]\nkind = \"silence\"\nat = \"1 h\"\nrepeat = \"1 h\"\nlasts = \"2 h\"\n", []string{"x.toml:5: lasts: 2h0m0s is not shorter than repeat"}},
		{"times", "[[event]]\nkind = \"silence\"\nat = \"1 h\"\ntimes = 2\n", []string{"x.toml:4: times: needs repeat"}},
		{"vary", "[[event]]\nkind = \"lead-off\"\nat = \"1 h\"\nvary = 1.0\n", []string{"x.toml:4: vary: 1 must lie from 0 to below 1"}},
		{"number", "[[event]]\nkind = \"contact\"\nat = \"1 h\"\nohms = \"0.1\"\n", []string{"x.toml:4: "}},
		{"negative number", "[[event]]\nkind = \"contact\"\nat = \"1 h\"\nohms = -0.1\n", []string{"x.toml:4: ohms: -0.1 must be a number from 0 up"}},
		{"no ideal short", "[[event]]\nkind = \"hard-short\"\nat = \"1 h\"\nohms = 0.0\n", []string{"x.toml:4: ohms: must be above 0"}},
		{"output", "[supply]\noutput = \"maybe\"\n", []string{"x.toml:2: supply.output: \"maybe\" is neither on nor off"}},
		{"metal", "[cell]\n\nmetal = \"gold\"\n", []string{"x.toml:3: cell.metal: \"gold\" is neither zinc nor copper"}},
		{"spread", "[cell]\nspread = 2.0\n", []string{"x.toml:2: cell.spread: 2 must lie from 0 to 0.5"}},
		{"negative volume", "[cell]\nlitres = -1.0\n", []string{"x.toml:2: cell.litres: -1 must be a number from 0 up"}},
		{"several at once, in order", "[cell]\nspread = 2.0\n[[event]]\nat = \"1 h\"\nkind = \"lead-off\"\n[[event]]\nkind = \"trip\"\nchance = 2.0\n",
			[]string{"x.toml:2: cell.spread", "x.toml:6: at: is missing", "x.toml:6: protection: is missing", "x.toml:8: chance: is not a parameter of trip"}},
	} {
		_, err := ParseScenario("x.toml", []byte(c.file))
		if err == nil {
			t.Errorf("%s: no error", c.name)
			continue
		}
		rest := err.Error()
		for _, w := range c.want {
			_, after, ok := strings.Cut(rest, w)
			if !ok {
				t.Errorf("%s: error\n%v\nwithout %q", c.name, err, w)
			}
			rest = after
		}
	}
	if _, err := LoadScenario(filepath.Join(t.TempDir(), "none.toml")); err == nil || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("a missing file: %v", err)
	}
}

func TestSpan(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"90 s": 90 * time.Second, "2 h 30 min": 150 * time.Minute, "1h30m": 90 * time.Minute, "250 ms": 250 * time.Millisecond, "0 s": 0,
	} {
		var s Span
		if err := s.UnmarshalText([]byte(text)); err != nil || s.duration() != want {
			t.Errorf("%q is %v, %v", text, s.duration(), err)
		}
	}
}

// What chance decides, the seed decides: equal seeds give equal nights, others do not.
func TestSeedsDecide(t *testing.T) {
	starts := func(seed int64) []time.Duration {
		tl, err := compile(load(t, "unplug"), seed, 2)
		if err != nil {
			t.Fatal(err)
		}
		var out []time.Duration
		for _, o := range tl.line {
			out = append(out, o.from)
		}
		return out
	}
	if a, b := starts(1), starts(1); !slices.Equal(a, b) || len(a) != 3 {
		t.Errorf("seed 1 unplugs at %v and at %v", a, b)
	}
	if a, b := starts(1), starts(2); slices.Equal(a, b) {
		t.Errorf("seeds 1 and 2 both unplug at %v", a)
	}
	for _, at := range starts(3) {
		if at < 2*time.Hour || at > 8*time.Hour {
			t.Errorf("unplugged at %v", at)
		}
	}
}

func TestRepetition(t *testing.T) {
	for _, c := range []struct {
		event Event
		want  int
	}{
		{Event{At: Span(time.Hour)}, 1},
		{Event{At: Span(time.Hour), Repeat: Span(time.Hour)}, 4},
		{Event{At: Span(time.Hour), Repeat: Span(time.Hour), Times: 2}, 2},
		{Event{At: Span(9 * time.Hour), Repeat: Span(time.Hour)}, 1},
		{Event{At: Span(time.Hour), Repeat: Span(time.Millisecond), Times: 1 << 30}, mostOccurrences},
	} {
		if got := occurrences(c.event, 4*time.Hour+time.Minute); got != c.want {
			t.Errorf("%+v happens %d times, want %d", c.event, got, c.want)
		}
	}
}

func FuzzScenario(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(scenarios, "*.toml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseScenario("f.toml", data)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "f.toml:") {
				t.Errorf("error without its place: %v", err)
			}
			return
		}
		// What reads cleanly makes a night that can be simulated, or is refused with a reason.
		i, err := New(Setup{Scenario: s, Now: func() time.Duration { return 0 }})
		if err != nil {
			return
		}
		for _, at := range []time.Duration{0, time.Minute, time.Hour} {
			tr := i.TruthAt(1, at)
			if tr.Charge < 0 || tr.DepositGrams < 0 || tr.Amperes < 0 || tr.Volts != tr.Volts {
				t.Fatalf("impossible at %v: %+v", at, tr)
			}
		}
	})
}
