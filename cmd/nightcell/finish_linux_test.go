package main

import (
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"

	"nightcell/daemon/control"
	"nightcell/daemon/finish"
	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
)

// terminal is a nightcell on a pseudo-terminal.
type terminal struct {
	t    *testing.T
	cmd  *exec.Cmd
	pty  *os.File
	said strings.Builder
}

func onTerminal(t *testing.T, args ...string) *terminal {
	t.Helper()
	cmd := exec.Command("nightcell", args...)
	f, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 50, Cols: 100})
	if err != nil {
		t.Fatal(err)
	}
	return &terminal{t: t, cmd: cmd, pty: f}
}

// question reads until something is asked and returns what was said since the last time; ended: the program did.
func (p *terminal) question() (text string, ended bool) {
	p.t.Helper()
	from := p.said.Len()
	buffer := make([]byte, 4096)
	for {
		n, err := p.pty.Read(buffer)
		p.said.Write(buffer[:n])
		text = strings.ReplaceAll(p.said.String()[from:], "\r", "")
		switch {
		case err != nil: // EIO: nobody holds the other end any more
			return text, true
		case strings.HasSuffix(text, ": "):
			return text, false
		}
	}
}

func (p *terminal) answer(text string) {
	p.t.Helper()
	if _, err := io.WriteString(p.pty, text+"\n"); err != nil {
		p.t.Fatal(err)
	}
}

// end waits for the program and returns its exit code.
func (p *terminal) end() int {
	p.t.Helper()
	err := p.cmd.Wait()
	p.pty.Close()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		p.t.Fatal(err)
	}
	return p.cmd.ProcessState.ExitCode()
}

// morning copies a shipped run without late entries, invented throughout.
func morning(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "20260112T200000Z")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/accounts/runs/zinc-1/20260112T200000Z")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// honest answers a question of the checklist of that run.
func honest(t *testing.T, question string) string {
	t.Helper()
	last := question[strings.LastIndex(question, "\n")+1:]
	for ask, answer := range map[string]string{
		"y = done": "y", "Mass of the d": "13.10 g ± 0.02 g", "Result": "yes", "Method": "dissolved in acid",
		"keep, ": "keep", "File": "", "Amount": "3.20", "Currency": "EUR", "For what": "salt",
	} {
		if strings.Contains(last, ask) {
			return answer
		}
	}
	t.Fatalf("an unexpected question: %q", question)
	return ""
}

// checklistOf is how the checklist stands, as it is printed where there is no terminal.
func checklistOf(t *testing.T, dir string) (complete bool, states map[string]string) {
	t.Helper()
	s, err := finish.Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	items := s.Items()
	code, out, said := commanded("", "finish", "zinc-1", "--run", dir)
	if code != 0 {
		t.Fatalf("exit code %d: %s", code, said)
	}
	states = map[string]string{}
	for _, i := range items {
		line := regexp.MustCompile(`(?m)^(open|done|left-out|if you like) +` + regexp.QuoteMeta(i.Title) + `( |$)`).FindStringSubmatch(out)
		if line == nil {
			t.Fatalf("%s is not printed:\n%s", i.Title, out)
		}
		states[i.Name] = strings.Replace(line[1], "if you like", "open", 1)
		if states[i.Name] != string(i.State) {
			t.Errorf("%s is printed as %s, and is %s", i.Title, line[1], i.State)
		}
	}
	return finish.Complete(items), states
}

// TestFinishOnATerminal: the whole walk, with a mistake, a contradiction, an item left out and one that waits.
func TestFinishOnATerminal(t *testing.T) {
	dir := morning(t)
	p := onTerminal(t, "finish", "zinc-1", "--run", dir, "--by", "ann")
	for _, step := range []struct{ says, answer string }{
		{"1 of 12  Fan and face shield on", "y"},
		{"Lift the cathode out", "maybe"},
		{`"maybe" is not an answer here`, ""}, // later
		{"Rinse the deposit", "y"},
		{"Dry to constant mass", "13.1 mL"},
		{"'13.1 mL' is a volume; a mass is needed", "131 g"},
		{"Enter it anyway? yes or no", "no"},
		{"Mass of the deposit", "13.14 g"},
		{"So far 13.14 g. Dry it further and weigh again.", "13.10 g"},
		{"not constant", "13.10 g"},
		{"Weigh the deposit", "13.10 g ± 0.02 g"},
		{"current efficiency", "-"}, // of the test of identity
		{"Why", "no acid in the house"},
		{"Store the deposit", "y"},
		{"Decide on the catholyte", "keep"},
		{"Decide on the anolyte", "hand-over"},
		{"Volume", "0.5 L"},
		{"Where to", "waste acid"},
		{"Take a photo", ""},
		{"Enter what it cost", ""},
	} {
		text, ended := p.question()
		if ended || !strings.Contains(strings.Join(strings.Fields(text), " "), strings.Join(strings.Fields(step.says), " ")) {
			t.Fatalf("before %q: want %q in %q", step.answer, step.says, text)
		}
		p.answer(step.answer)
	}
	text, ended := p.question()
	if code := p.end(); !ended || code != 0 {
		t.Fatalf("code %d after %q", code, text)
	}
	for _, want := range []string{"open         Lift the cathode out", "left-out     Test its identity", "no acid in the house", "if you like  Take a photo", "Deposit mass, three ways", "current efficiency"} {
		if !strings.Contains(strings.ToLower(text), strings.ToLower(want)) {
			t.Errorf("the end does not say %q:\n%s", want, text)
		}
	}
	if complete, states := checklistOf(t, dir); complete || states["lift"] != "open" || states["identity"] != "left-out" || states["anolyte"] != "done" {
		t.Errorf("complete %v, %v", complete, states)
	}
	p = onTerminal(t, "finish", "zinc-1", "--run", dir, "--by", "ben")
	if text, _ := p.question(); !strings.Contains(text, "Lift the cathode out") {
		t.Errorf("taken up at %q", text)
	}
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if text, _ := p.question(); p.end() != 0 || !strings.Contains(text, "Stopped. What was entered is kept") {
		t.Errorf("an interrupt: %q", text)
	}
}

// TestFinishIsKilled: the walk is killed again and again, at any moment after an answer was given. Whoever goes on from what stands
// there ends with every item done, no answer lost, and none doubled.
func TestFinishIsKilled(t *testing.T) {
	dir, random := morning(t), rand.New(rand.NewPCG(7, 0))
	kills := 0
	for walks := 0; ; walks++ {
		if walks > 200 {
			t.Fatal("the walk never ends")
		}
		p := onTerminal(t, "finish", "zinc-1", "--run", dir, "--by", "ann")
		for {
			text, ended := p.question()
			if ended {
				break
			}
			p.answer(honest(t, text))
			if kills < housetest.UnderRace(12, 40) && random.IntN(8) > 0 {
				for range random.IntN(200_000) { // a moment within the entry, not a time
					_ = syscall.Getpid()
				}
				kills++
				_ = p.cmd.Process.Kill()
				break
			}
		}
		_ = p.end()
		if complete, states := checklistOf(t, dir); complete && states["cost"] == "done" {
			break
		}
	}
	all, err := runlog.PersonsEntries(dir)
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for i := range all {
		e := control.EntryOf(&all[i])
		count[e.Kind+" "+e.Words["item"]]++
	}
	for _, kind := range []string{"checklist protection", "checklist lift", "checklist rinse", "weighing ", "identity ", "checklist store", "checklist bath", "checklist anolyte", "cost "} {
		if count[kind] != 1 {
			t.Errorf("%q stands %d times: %v", kind, count[kind], count)
		}
	}
	if count["dried "] != 2 {
		t.Errorf("%d dried masses, want 2", count["dried "])
	}
	if out, err := exec.Command("nightcell", "verify", dir).CombinedOutput(); err != nil || !strings.Contains(string(out), "sound") {
		t.Errorf("verify: %v: %s", err, out)
	}
	t.Logf("%d kills", kills)
}
