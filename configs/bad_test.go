package configs_test

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"nightcell/configs"
)

var update = flag.Bool("update", false, "write the messages of testdata/bad anew; read what changed before you commit it")

// mends finds the way out in a message that names it in its first half.
var mends = regexp.MustCompile("such as '|leave out|is written|the table has|valid TOML")

// Each file in testdata/bad has one mistake, or one kind of mistake in a few
// places; the .txt beside it is the whole message.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.toml")
	if err != nil || len(files) < 80 {
		t.Fatalf("bad files: %d, %v", len(files), err)
	}
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".toml"), func(t *testing.T) {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			c, err := configs.Parse(filepath.Base(f), data)
			if err == nil || c != nil {
				t.Fatalf("no mistake was found, or a configuration returned with it: %v", err)
			}
			var mistakes configs.Mistakes
			if !errors.As(err, &mistakes) {
				t.Fatalf("the error is a %T", err)
			}
			for _, m := range mistakes {
				if m.Line < 1 || m.Line > strings.Count(string(data), "\n")+1 {
					t.Errorf("line %d lies outside the file: %v", m.Line, m)
				}
				if m.Remedy == "" && !mends.MatchString(m.Wrong) {
					t.Errorf("no way out is named: %v", m)
				}
			}
			golden := strings.TrimSuffix(f, ".toml") + ".txt"
			got := err.Error() + "\n"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%swant:\n%s", got, want)
			}
			if strings.Contains(got, "hunter2") {
				t.Error("the message shows a secret")
			}
		})
	}
}
