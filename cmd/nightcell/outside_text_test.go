//go:build linux

package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode"

	"nightcell/drivers/simulated"
)

// wordJoiner keeps a unit of the page's own together.
const wordJoiner = '\u2060'

// obeyed finds what a terminal or a page would obey in a text of lines.
func obeyed(text string) string {
	for i, r := range text {
		if r != '\n' && r != '\t' && r != wordJoiner && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
			return fmt.Sprintf("%U in %q", r, text[max(0, i-30):min(len(text), i+30)])
		}
	}
	return ""
}

// TestTextFromOutsideIsHarmless lets a supply and an operator send what terminals, pages and spreadsheets obey, to the real program:
// ECMA-48 sequences by ESC and by the C1 character CSI, marks that turn the direction of writing (Unicode annex 9), formulas.
func TestTextFromOutsideIsHarmless(t *testing.T) {
	_, port := serve(t, simulated.Setup{Identity: "EXAM\x1b[31mPLE,PS\u202e03,\u009b2J\x07,\u2066=1+1"})
	dir := t.TempDir()
	config := writeConfig(t, fmt.Sprintf("data = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[supply.bench]\nport = %q\n[cell.zinc-1]\nsupply = \"bench\"\n", filepath.Join(dir, "data"), port))
	nightcell := func(args ...string) string {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), "nightcell", append(args, "--config", config)...).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
		return string(out)
	}
	texts := map[string]string{"check --ask": nightcell("check", "--ask")}

	stderr, err := os.Create(filepath.Join(dir, "stderr"))
	if err != nil {
		t.Fatal(err)
	}
	defer stderr.Close()
	watch := exec.CommandContext(t.Context(), "nightcell", "watch", "--config", config)
	watch.Stderr = stderr
	if err := watch.Start(); err != nil {
		t.Fatal(err)
	}
	said := func(pattern string) string {
		t.Helper()
		for range 6000 {
			text, err := os.ReadFile(stderr.Name())
			if err != nil {
				t.Fatal(err)
			}
			if m := regexp.MustCompile(pattern).FindStringSubmatch(string(text)); m != nil {
				return m[len(m)-1]
			}
			<-time.After(10 * time.Millisecond)
		}
		t.Fatalf("the watch never said %s", pattern)
		return ""
	}
	said("run started")
	address := said(`"page and metrics" address=(\S+)`)
	nightcell("enter", "zinc-1", "remark", "=HYPERLINK(\"x\")\u202e\u009b\x1b[2J", "--by", "@ann\u202e\x1b")
	nightcell("enter", "zinc-1", "remark", "\uFF1D1+1", "--by", "bob")
	texts["status"], texts["status --json"] = nightcell("status"), nightcell("status", "--json")
	for _, path := range []string{"/metrics", "/", "/cell/zinc-1"} {
		answer, err := http.Get("http://" + address + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode != http.StatusOK || answer.Body.Close() != nil {
			t.Fatalf("%s: %s, %v", path, answer.Status, err)
		}
		texts[path] = string(body)
	}
	if err := watch.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := watch.Wait(); err != nil {
		t.Error(err)
	}
	for what, file := range map[string]string{"what the watch says": stderr.Name(), "the run log": filepath.Join(dir, "data", "runs", "zinc-1", "*", "log.lp")} {
		found, err := filepath.Glob(file)
		if err != nil || len(found) != 1 {
			t.Fatalf("%s: %v, %v", what, found, err)
		}
		text, err := os.ReadFile(found[0])
		if err != nil {
			t.Fatal(err)
		}
		texts[what] = string(text)
		if what != "the run log" {
			continue
		}
		events, err := exec.CommandContext(t.Context(), "nightcell", "export", filepath.Dir(found[0]), "--what", "events").Output()
		if err != nil {
			t.Fatal(err)
		}
		texts["export"] = string(events)
	}
	for what, text := range texts {
		if found := obeyed(text); found != "" || text == "" {
			t.Errorf("%s, %d bytes, hands on %s", what, len(text), found)
		}
	}
	if !strings.Contains(texts["check --ask"], "EXAM [31mPLE,PS 03,2J,=1+1") {
		t.Errorf("the identity is not shown as what it is:\n%s", texts["check --ask"])
	}
	rows, err := csv.NewReader(strings.NewReader(texts["export"])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	formulas := 0
	for _, row := range rows {
		for _, c := range row {
			if strings.ContainsAny(strings.TrimSpace(c)[:min(1, len(strings.TrimSpace(c)))], "=+-@") || strings.HasPrefix(c, "\uFF1D") {
				t.Errorf("a spreadsheet takes %q for a formula", c)
			}
			if strings.HasPrefix(c, "'=") || strings.HasPrefix(c, "'\uFF1D") {
				formulas++
			}
		}
	}
	if formulas != 2 {
		t.Errorf("%d formulas are kept as text in\n%s", formulas, texts["export"])
	}
}
