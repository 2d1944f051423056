package finish

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// planOf settles an invented bath.
func planOf(t *testing.T, metal, medium, separator string) *bath.Plan {
	t.Helper()
	c, err := configs.Parse("test", []byte(`data = "/nowhere"
[supply.bench]
port = "tcp://localhost:1"
range_voltage = "32 V"
range_current = "5 A"
[cell.one]
supply = "bench"
[cell.one.bath]
metal = "`+metal+`"
medium = "`+medium+`"
volume = "0.9 L"
concentration = "60 g/L"
[cell.one.target]
charge = "20 A h"
[cell.one.efficiency]
fixed = "80 %"
[cell.one.electrodes]
cathode = "aluminium"
cathode_area = "60 cm2"
anode = "lead"
gap = "30 mm"
separator = "`+separator+`"
[cell.one.working]
current = "3 A"
[cell.one.limits]
current = "3.3 A"
voltage = "6 V"
duration = "30 h"
`))
	if err != nil {
		t.Fatal(err)
	}
	plan, err := c.Cell("one").Plan(c.Supply("bench"))
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func names(items []Item, state State) (list []string) {
	for _, i := range items {
		if i.State == state {
			list = append(list, i.Name)
		}
	}
	return list
}

// TestOrder: what is asked for, and when, follows from metal, bath and cell.
func TestOrder(t *testing.T) {
	zinc, copper := planOf(t, "Zn", "sulfate", "diaphragm"), planOf(t, "Cu", "sulfate", "none")
	for _, c := range []struct {
		name    string
		subject Subject
		want    string
	}{
		{"a deposit that dissolves at rest is lifted under the hold current", Subject{Plan: zinc, Divided: true}, "protection hold lift off rinse dry weigh identity store bath anolyte photo cost"},
		{"one that does not is lifted without", Subject{Plan: copper}, "protection off lift rinse dry weigh identity store bath photo cost"},
		{"an unknown one is taken for the first", Subject{}, "protection hold lift off rinse dry weigh identity store bath photo cost"},
		{"what an anode took is weighed", Subject{Plan: planOf(t, "Pb", "nitrate", "none")}, "protection hold lift off rinse dry weigh anode identity store bath photo cost"},
	} {
		if got := strings.Join(names(c.subject.Items(), Open), " "); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
		c.subject.Ended = true // so that no current is left to hold
		items := c.subject.Items()
		if got := names(items, Done); len(got) != 1 || got[0] != "off" || slices.ContainsFunc(items, func(i Item) bool { return i.Name == "hold" }) || items[2].Name != "lift" {
			t.Errorf("%s, ended: done %v of %v", c.name, got, names(items, Open))
		}
	}
}

// TestWhatIsNeverSaid: acid on cyanide or sulfide kills, and neutral is no answer for what takes more than a base. Silver in ammonia is not kept
// (Chemical & Engineering News 74(2) (1996) 2).
func TestWhatIsNeverSaid(t *testing.T) {
	for _, m := range append(matter.Media(), "") {
		i := disposal("", "bath", m)
		offered := func(name string) bool {
			return slices.ContainsFunc(i.Choices, func(c Choice) bool { return c.Name == name })
		}
		deadly := m == matter.Cyanide || m == matter.Sulfide
		if deadly && (offered("neutralise") || offered("regenerate") || !strings.Contains(rinsing(m), "never with acid") || !strings.Contains(strings.Join(i.Text, " "), "No acid near it")) {
			t.Errorf("%s: %+v, %s", m, i, rinsing(m))
		}
		if strings.Contains(strings.Join(i.Text, " "), "acidify that bath at once") != (m == matter.Ammine) {
			t.Errorf("%s: %q", m, i.Text)
		}
		if (m == matter.Chromic || m == matter.Fluoborate || m == "") && offered("neutralise") {
			t.Errorf("%q is to be neutralised", m)
		}
		if !offered("keep") || !offered(HandOver) {
			t.Errorf("%q: %+v", m, i.Choices)
		}
	}
}

// TestEveryMetalHasItsItems: texts without a hole, names that the entry takes, a source for how it is stored.
func TestEveryMetalHasItsItems(t *testing.T) {
	for _, m := range matter.Metals() {
		for _, medium := range append(matter.Media(), "") {
			s := Subject{Plan: &bath.Plan{Settled: bath.Settled{Metal: m, Medium: medium}}, Divided: true}
			for _, i := range s.Items() {
				if i.Title == "" || len(i.Text) == 0 || slices.Contains(i.Text, "") {
					t.Errorf("%s in %q, %s: %q %q", m, medium, i.Name, i.Title, i.Text)
				}
				if i.Name == "store" && (i.Source == "" || len(i.Text[0]) != len(m.Store.Text)+1) {
					t.Errorf("%s: stored %q by %q", m, i.Text, i.Source)
				}
				if _, err := i.Answer(control.ItemLeftOut, nil, "a reason"); err != nil {
					t.Errorf("%s cannot be left out: %v", i.Name, err)
				}
				for _, f := range i.Ask {
					if i.Field(f).Label == "" {
						t.Errorf("%s asks for %s", i.Name, f)
					}
				}
			}
		}
	}
}

func dried(masses ...float64) (all []control.Entry) {
	for n, m := range masses {
		all = append(all, control.Entry{Kind: bath.EntryDried, At: time.Unix(int64(n), 0), Numbers: map[string]float64{bath.Mass: m / 1e3}})
	}
	return all
}

// TestConstantMass: two masses in a row, not any two.
func TestConstantMass(t *testing.T) {
	for _, c := range []struct {
		entries []control.Entry
		want    State
		says    string
	}{
		{nil, Open, ""},
		{dried(31.2), Open, "So far 31.2 g"},
		{dried(31.3, 31.2), Open, "31.3 g and 31.2 g, differ by 100 mg where 31 mg is allowed: not constant"},
		{dried(31.3, 31.2, 31.18), Done, "differ by 20 mg where 31 mg is allowed: constant mass"},
		{dried(31.2, 31.2), Done, "constant mass"},
	} {
		s := Subject{Entries: c.entries}
		items := s.Items()
		i := &items[slices.IndexFunc(items, func(i Item) bool { return i.Name == "dry" })]
		if i.State != c.want || !strings.Contains(strings.Join(i.Text, " "), c.says) {
			t.Errorf("%d masses: %s, %q", len(c.entries), i.State, i.Text)
		}
	}
	doubtful := dried(31.3, 31.2)
	for _, e := range doubtful {
		e.Numbers["mass_plus_minus_kilograms"] = 0.06e-3
	}
	if !constant(doubtful) {
		t.Error("the ± of the balance counts for nothing")
	}
}

// runDir copies a shipped run without late entries, all of it invented.
func runDir(t *testing.T, into string) string {
	t.Helper()
	dir := filepath.Join(into, "20260112T200000Z")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/accounts/runs/zinc-1/20260112T200000Z")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// answerOf is an honest answer to an item.
func answerOf(i *Item) (choice string, values map[string]string) {
	switch i.Name {
	case "dry", "weigh", "anode":
		return "", map[string]string{"mass": "13.10 g ± 0.02 g"}
	case "identity":
		return "", map[string]string{"result": "yes"}
	case "bath":
		return "keep", nil
	case "anolyte":
		return HandOver, map[string]string{"volume": "0.4 L", "to": "waste acid"}
	case "cost":
		return "", map[string]string{"amount": "3.20", "currency": "EUR"}
	}
	return "", nil
}

// TestTakenUpFromAnywhere: answered in any order, each time from what stands on the disk alone, every item ends done once and
// nothing is asked for twice.
func TestTakenUpFromAnywhere(t *testing.T) {
	for seed := range uint64(8) {
		dir, random := runDir(t, t.TempDir()), rand.New(rand.NewPCG(seed, 0))
		left := []string{"store", "identity", "protection"}[random.IntN(3)]
		answered := map[string]int{}
		for {
			s, err := Read(dir)
			if err != nil {
				t.Fatal(err)
			}
			items := s.Items()
			open := slices.DeleteFunc(names(items, Open), func(name string) bool { return name == "photo" })
			if len(open) == 0 {
				if !Complete(items) || Next(items).Name != "photo" || len(names(items, LeftOut)) != 1 {
					t.Errorf("seed %d: %+v", seed, items)
				}
				break
			}
			name := open[random.IntN(len(open))]
			i := &items[slices.IndexFunc(items, func(i Item) bool { return i.Name == name })]
			choice, values := answerOf(i)
			text := ""
			if name == left {
				choice, values, text = control.ItemLeftOut, nil, "no time"
			}
			e, err := i.Answer(choice, values, text)
			e.By = "ann"
			if err == nil {
				_, err = s.Hand(t.Context(), nil, e, time.Now())
			}
			if err != nil {
				t.Fatalf("seed %d, %s: %v", seed, name, err)
			}
			answered[name]++
		}
		for name, n := range answered {
			if want := map[bool]int{true: 2, false: 1}[name == "dry"]; n != want {
				t.Errorf("seed %d: %s was asked for %d times", seed, name, n)
			}
		}
	}
}

// TestAnswersAreJudged: what cannot be is refused in a sentence, and nothing is entered.
func TestAnswersAreJudged(t *testing.T) {
	dir := runDir(t, t.TempDir())
	s, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	items := s.Items()
	for _, c := range []struct{ item, choice, field, value, says string }{
		{"rinse", control.ItemLeftOut, "", "", "give the reason for leaving it out"},
		{"rinse", "keep", "", "", `"keep" is not an answer here`},
		{"bath", "", "", "", "is not an answer here"},
		{"bath", "neutralize", "", "", "is not an answer here"},
		{"dry", "", "mass", "31.2 mL", "is a volume; a mass is needed"},
		{"dry", "", "mass", "310 g", "is not entered: "},
		{"dry", "", "", "", "needs mass"},
	} {
		i := &items[slices.IndexFunc(items, func(i Item) bool { return i.Name == c.item })]
		values := map[string]string{}
		if c.field != "" {
			values[c.field] = c.value
		}
		e, err := i.Answer(c.choice, values, "")
		if err == nil {
			_, err = s.Hand(t.Context(), nil, e, time.Now())
		}
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	after, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(s.Entries, after.Entries); diff != "" {
		t.Errorf("entered all the same: %s", diff)
	}
	trial, err := items[slices.IndexFunc(items, func(i Item) bool { return i.Name == "weigh" })].Answer("", map[string]string{"mass": "13.1 g"}, "")
	if err != nil {
		t.Fatal(err)
	}
	trial.Trial = true
	done, err := s.Hand(t.Context(), nil, trial, time.Now())
	if err != nil || done.Name != "" || !strings.Contains(strings.Join(done.Notes, " "), "current efficiency") {
		t.Errorf("a trial says %+v, %v", done, err)
	}
	if after, err = Read(dir); err != nil || len(after.Entries) != len(s.Entries) {
		t.Errorf("a trial was entered: %v", err)
	}
}
