package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
)

// until reads what a terminal says until it has said something.
func (p *terminal) until(what string) {
	p.t.Helper()
	buffer := make([]byte, 4096)
	for !strings.Contains(p.said.String(), what) {
		n, err := p.pty.Read(buffer)
		p.said.Write(buffer[:n])
		if err != nil {
			p.t.Fatalf("%q is not said, but:\n%s", what, p.said.String())
		}
	}
}

// TestFirstNight is a newcomer at a terminal: stops in the middle, goes on with the same answers, mistypes, and has a watched cell after twelve
// answers at most. Everything but one salt is left at its default.
func TestFirstNight(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	const file = "nightcell.toml"
	begin := func() *terminal { return onTerminal(t, "first-night", "--listen", "127.0.0.1:0") }
	p := begin()
	for _, answer := range []string{"ZnSO4·H2O", "", "2 L", "q"} {
		p.question()
		p.answer(answer)
	}
	if text, ended := p.question(); !ended || p.end() != 0 || !strings.Contains(text, "saved in nightcell.toml.unfinished") {
		t.Fatalf("stopped with %s", text)
	}
	if _, err := os.Stat(file); err == nil {
		t.Fatal("a configuration is there already")
	}
	p = begin()
	answers, mistyped := 0, false
	for range 20 {
		text, ended := p.question()
		if ended {
			t.Fatalf("it ended:\n%s", p.said.String())
		}
		answer := ""
		switch {
		case strings.Contains(text, "Volume of the bath") && !strings.Contains(text, "Enter = 2 L"):
			t.Errorf("what was said before is forgotten: %s", text)
		case strings.Contains(text, "Area of the cathode") && !mistyped:
			answer, mistyped = "60 g", true
		case mistyped && strings.Contains(text, "is a mass"):
		case strings.Contains(text, "The supply: its port"):
			answer = "simulated"
		case strings.Contains(text, "How you are called"):
			answer = "/bin/true"
		}
		if p.answer(answer); answer != "60 g" {
			answers++
		}
		if strings.Contains(text, "Start nightcell watch now?") {
			break
		}
	}
	p.until("run started")
	p.answer("\x03")
	p.until("nightcell stops")
	for ended := false; !ended; _, ended = p.question() {
	}
	if code := p.end(); code != 0 || answers > 12 || answers < 5 {
		t.Errorf("exit code %d after %d answers:\n%s", code, answers, p.said.String())
	}
	c, err := configs.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	cell := c.Cells[0]
	if cell.Name != "zinc-1" || cell.Bath.Volume.Value != 2e-3 || cell.May.Off || cell.May.Hold || len(c.Routes) != 1 || cell.Limits.Amperes < cell.States.Current.Value {
		t.Errorf("written: %+v", cell)
	}
	if logs, err := filepath.Glob("nightcell-data/runs/zinc-1/*/log.lp"); err != nil || len(logs) != 1 {
		t.Errorf("logs %v, %v", logs, err)
	}
	if _, err := os.Stat(file + ".unfinished"); err == nil {
		t.Error("the unfinished answers are still there")
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p = begin()
	text, _ := p.question()
	code := p.end()
	after, err := os.ReadFile(file)
	if err != nil || code != 2 || !strings.Contains(text, "exists and is not overwritten") || string(after) != string(before) {
		t.Errorf("a second first night, exit code %d, %v: %q", code, err, text)
	}
}

// TestFirstNightGoesBack: answers that do not go together are told with the reason, and asked again.
func TestFirstNightGoesBack(t *testing.T) {
	t.Chdir(t.TempDir())
	p := onTerminal(t, "first-night", "own.toml")
	for _, answer := range []string{"H2SO4", "ZnSO4·7H2O", "no", "250 g", "0.9 L", "sieve", "none", "-1 cm2", "60 cm2", "120 %", "85 %", "100 A", "simulated", "", "", ""} {
		p.question()
		p.answer(answer)
	}
	p.question()
	p.answer("q")
	p.question()
	p.end()
	said := strings.ReplaceAll(p.said.String(), "\r", "")
	for _, want := range []string{"holds 0 metals that can be recovered", "'sieve'", "give more than zero", "can never be reached: the supply gives at most 5 A", "contradict each other",
		"Enter = ZnSO4·7H2O, q = stop: q", // from the first again
	} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said:\n%s", want, said)
		}
	}
	if _, err := os.Stat("own.toml"); !os.IsNotExist(err) {
		t.Error(err)
	}
	if info, err := os.Stat("own.toml.unfinished"); err != nil || info.Mode().Perm() != fs.FileMode(0o600) {
		t.Errorf("%v, %v", info, err)
	}
}

// TestFirstNightCalls: each way to be called makes a route that check accepts, and what is none says so.
func TestFirstNightCalls(t *testing.T) {
	for answer, kind := range map[string]string{
		"https://hook.example/nightcell": "webhook", "operator@lab.example": "email", "/bin/true --long": "command", "none": "",
		"https://a:b@hook.example/": "!", "/no/such/program": "!", "": "!", "a@b c": "!",
	} {
		f := &firstNight{doc: newDocument()}
		err := f.takeCall(answer)
		if (err != nil) != (kind == "!") {
			t.Errorf("%q: %v", answer, err)
		}
		if got, _ := f.doc.get("route.me.kind").(string); err == nil && got != kind {
			t.Errorf("%q is a route of kind %q", answer, got)
		}
	}
}
