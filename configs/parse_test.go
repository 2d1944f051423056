package configs_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"nightcell/configs"
)

func TestLoadSaysWhichFile(t *testing.T) {
	_, err := configs.Load("testdata/no-such-file.toml")
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "no-such-file.toml") {
		t.Errorf("a missing file: %v", err)
	}
}

// All mistakes come at once, in the order of the file.
func TestAllMistakesAtOnce(t *testing.T) {
	_, err := configs.Parse("all.toml", []byte(`
data = ""
colour = "blue"
[supply.bench]
port = "tcp://x"
[supply.bench.accuracy]
current_gain = "5 mA"
[cell.zinc-1]
supply = "bank"
poll = "1,5 s"
[cell.zinc-1.bath]
volume = "900 g"
[route.hook]
kind = "pigeon"
`))
	var mistakes configs.Mistakes
	if !errors.As(err, &mistakes) {
		t.Fatal(err)
	}
	var keys []string
	for _, m := range mistakes {
		keys = append(keys, m.Key)
	}
	want := []string{"data", "colour", "supply.bench.port", "supply.bench.accuracy.current_gain", "cell.zinc-1.supply",
		"cell.zinc-1.poll", "cell.zinc-1.bath", "cell.zinc-1.bath.metal", "cell.zinc-1.bath.volume", "route.hook.kind"}
	if !slices.Equal(keys, want) {
		t.Errorf("keys %v,\nwant %v\n%v", keys, want, err)
	}
	if !slices.IsSortedFunc(mistakes, func(a, b configs.Mistake) int { return a.Line - b.Line }) {
		t.Errorf("not in the order of the file:\n%v", err)
	}
}

// However many mistakes there are, the answer comes soon and stays readable.
func TestVeryManyMistakes(t *testing.T) {
	var b strings.Builder
	for i := range 20_000 {
		fmt.Fprintf(&b, "key%d = %d\n", i, i)
	}
	_, err := configs.Parse("many.toml", []byte(b.String()))
	var mistakes configs.Mistakes
	if !errors.As(err, &mistakes) || len(mistakes) > 300 {
		t.Fatalf("%d mistakes, %T", len(mistakes), err)
	}
	equal(t, "last", mistakes[len(mistakes)-1].Error(), "many.toml: there are more mistakes than these; fix these first")
	_, err = configs.Parse("huge.toml", make([]byte, 5<<20))
	if err == nil || !strings.Contains(err.Error(), "is it the right file?") {
		t.Errorf("a huge file: %v", err)
	}
}

func TestManyCells(t *testing.T) {
	const cells = 200
	var b strings.Builder
	b.WriteString("data = \"d\"\n")
	for i := range cells {
		fmt.Fprintf(&b, "[supply.s%d]\nport = \"/dev/tty%d\"\n[cell.c%d]\nsupply = \"s%d\"\n", i, i, i, i)
	}
	c, err := configs.Parse("many.toml", []byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.Cells {
		equal(t, "cell", c.Cells[i].Name, fmt.Sprintf("c%d", i))
	}
}

func TestRelativePathsStartAtTheFile(t *testing.T) {
	c, err := configs.Parse(filepath.Join("etc", "nightcell.toml"), []byte(withRoute+`
[page]
web_config = "web.yml"
token_file = "/run/token"
`))
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "data", c.Data, filepath.Join("etc", "d"))
	equal(t, "web configuration", c.Page.WebConfig, filepath.Join("etc", "web.yml"))
	equal(t, "token", c.Page.Token.File, "/run/token")
}

func TestNothingOfThatName(t *testing.T) {
	c := load(t, "single-cell.toml")
	if c.Cell("zinc-9") != nil || c.Supply("zinc-9") != nil {
		t.Error("a cell or supply that is not in the file was found")
	}
	if _, err := c.Frozen("zinc-9"); err == nil {
		t.Error("the configuration of no cell was frozen")
	}
}

// FuzzParse holds that Parse never panics, gives either a configuration or
// mistakes with words, and that what it accepts can be frozen and parsed again.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"*.toml", "testdata/bad/*.toml"} {
		files, err := filepath.Glob(pattern)
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
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := configs.Parse("fuzz.toml", data)
		if err != nil {
			var mistakes configs.Mistakes
			if c != nil || !errors.As(err, &mistakes) || len(mistakes) == 0 {
				t.Fatalf("configuration %v with error %T %v", c, err, err)
			}
			for _, m := range mistakes {
				if m.Wrong == "" {
					t.Fatalf("a mistake without words: %+v", m)
				}
			}
			return
		}
		for i := range c.Cells {
			cell := &c.Cells[i]
			if c.Supply(cell.Supply) == nil || cell.Poll <= 0 || cell.GapAfter < 2*cell.Poll {
				t.Fatalf("accepted: %+v", cell)
			}
			if _, err := cell.Plan(c.Supply(cell.Supply)); err != nil {
				t.Fatalf("accepted, but no plan can be made: %v", err)
			}
			frozen, err := c.Frozen(cell.Name)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := configs.Parse("run.toml", frozen); err != nil {
				t.Fatalf("frozen configuration: %v\n%s", err, frozen)
			}
		}
	})
}
