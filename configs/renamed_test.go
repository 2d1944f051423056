package configs

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// TestRenamed: every earlier name reads as today's does and is noted with its line; both at once are a mistake.
func TestRenamed(t *testing.T) {
	const around = "data = \"d\"\n[supply.bench]\nport = \"p\"\n[cell.zinc-1]\nsupply = \"bench\"\n%s"
	values := map[string]string{
		"report_acknowledged": "true", "lowest_priority": `"high"`, "delivery_lag": `"9 min"`, "protection_volts": `"V?"`, "protection_amperes": `"A?"`,
	}
	for _, r := range renamed {
		t.Run(r.in+" "+r.old, func(t *testing.T) {
			place := strings.Split(strings.NewReplacer("route/*", "route/hook", "cell/*", "cell/zinc-1", "supply/*", "supply/bench", "/*", "/over-current").Replace(r.in), "/")
			kept := "\n"
			if place[0] == "route" {
				kept = "\nkind = \"command\"\ncommand = [\"/bin/true\"]\n"
			}
			write := func(names ...string) string {
				var b strings.Builder
				table, key := strings.Join(place, "."), ""
				if r.new == "notify" {
					table, key = strings.Join(place[:len(place)-1], "."), place[len(place)-1]
				}
				if table != "cell.zinc-1" {
					fmt.Fprintf(&b, "[%s]%s", table, kept)
				}
				for _, name := range names {
					switch value, ok := values[r.new]; {
					case key != "":
						fmt.Fprintf(&b, "%s = %q\n", key, name)
					case ok:
						fmt.Fprintf(&b, "%s = %s\n", name, value)
					default:
						fmt.Fprintf(&b, "[%s.%s]\npriority = \"highest\"\n", table, name)
					}
				}
				return fmt.Sprintf(around, b.String())
			}
			before, err := Parse("a.toml", []byte(write(r.old)))
			if err != nil {
				t.Fatal(err)
			}
			today, err := Parse("a.toml", []byte(write(r.new)))
			if err != nil {
				t.Fatal(err)
			}
			bare, err := Parse("a.toml", []byte(write()))
			if err != nil {
				t.Fatal(err)
			}
			if len(today.Notes) > 0 || len(before.Notes) != 1 || before.Notes[0].Line < 6 || !strings.Contains(before.Notes[0].Error(), "an earlier name; write "+r.new) {
				t.Errorf("notes %v and %v", before.Notes, today.Notes)
			}
			read := func(c *Config) string { return fmt.Sprintf("%+v %+v %+v", c.Cells, c.Routes, c.Supplies) }
			if read(before) != read(today) || r.new != "notify" && read(today) == read(bare) {
				t.Error("it is not read as today's name is")
			}
			if frozen, err := before.Frozen("zinc-1"); err != nil {
				t.Error(err)
			} else if _, err := Parse("run.toml", frozen); err != nil {
				t.Errorf("frozen with the earlier name: %v", err)
			}
			if r.new == "notify" {
				return
			}
			var both Mistakes
			if _, err := Parse("a.toml", []byte(write(r.old, r.new))); !errors.As(err, &both) || len(both) != 1 || both[0].Line < 6 ||
				!strings.Contains(both[0].Wrong, "the earlier name of "+r.new+", which is given too") {
				t.Errorf("both at once: %v", err)
			}
		})
	}
}
