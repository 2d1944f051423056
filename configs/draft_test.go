package configs_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"nightcell/configs"
)

const draftHead = "data = \"d\"\n[supply.bench]\nport = \"FILL-IN\"\n[cell.zinc-1]\nsupply = \"bench\"\n"

// TestDraft: a draft may lack what a plan assumes or asks for, a configuration may not; what is written is checked in both.
func TestDraft(t *testing.T) {
	const salts = draftHead + "[cell.zinc-1.bath]\nsalts = [{ formula = \"ZnSO4·7H2O\", mass = \"250 g\" }]\n"
	for name, c := range map[string]struct{ text, metal string }{
		"nothing":   {draftHead, ""},
		"one metal": {salts, "Zn"},
		"two":       {strings.Replace(salts, " }]", " }, { formula = \"CuSO4\", mass = \"1 g\" }]", 1), ""},
		"stated":    {salts + "metal = \"Cu\"\n", "Cu"},
	} {
		d, err := configs.Draft("draft", []byte(c.text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		cell := d.Cell("zinc-1")
		if cell.Bath == nil || cell.Target == nil || cell.Bath.Metal != c.metal {
			t.Errorf("%s: bath %+v, target %v", name, cell.Bath, cell.Target)
		}
		if _, err := configs.Parse("file", []byte(c.text+"[cell.zinc-1.target]\n")); err == nil {
			t.Errorf("%s: a configuration was taken without a target", name)
		}
	}
	_, err := configs.Draft("draft", []byte(draftHead+"[cell.zinc-1.bath]\nvolume = \"900 g\"\nmetals = 1\n[cell.zinc-1.target]\nrecover = \"85 %\"\ncharge = \"1 A h\"\n"))
	var mistakes configs.Mistakes
	var keys []string
	if errors.As(err, &mistakes) {
		for _, m := range mistakes {
			keys = append(keys, m.Key)
		}
	}
	if want := []string{"cell.zinc-1.bath.volume", "cell.zinc-1.bath.metals", "cell.zinc-1.target.charge"}; !slices.Equal(keys, want) {
		t.Errorf("mistakes at %v, want %v", keys, want)
	}
}

// TestUnfilled names the line of the port that nobody has filled in, and nothing once somebody has.
func TestUnfilled(t *testing.T) {
	c, err := configs.Parse("night.toml", []byte(draftHead))
	if err != nil {
		t.Fatal(err)
	}
	if open := c.Unfilled(); len(open) != 1 || open[0].Line != 3 || open[0].Key != "supply.bench.port" || open[0].File != "night.toml" {
		t.Errorf("%v", open)
	}
	if c, err = configs.Parse("night.toml", []byte(strings.Replace(draftHead, "FILL-IN", "tcp://192.0.2.7:5025", 1))); err != nil || len(c.Unfilled()) != 0 {
		t.Errorf("%v, %v", c.Unfilled(), err)
	}
}

func TestKeyOf(t *testing.T) {
	for field, key := range map[string]string{"salts[0].mass": "bath.salts[1].mass", "target.concentration": "target.concentration", "efficiency": "efficiency.fixed", "nonsense": ""} {
		if got := configs.KeyOf(field); got != key {
			t.Errorf("%s is at %q, want %q", field, got, key)
		}
	}
}
