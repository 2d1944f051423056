package main

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"nightcell/configs"
	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// odd serves a supply that needs 60 ms and both line ends, glues units and has no error queue, at 19200 bit/s, and returns the port's name.
func odd(t *testing.T, link string) string {
	t.Helper()
	i, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(1), Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	master, slave := housetest.RawTerminal(t)
	if err := os.Symlink(slave.Name(), link); err != nil {
		t.Fatal(err)
	}
	go func() { // ends when the test ends
		var heard []byte
		var answered time.Time
		level := regexp.MustCompile(`[0-9]+\.[0-9]{4}`)
		for b := make([]byte, 1024); ; {
			n, err := master.Read(b)
			if err != nil {
				return
			}
			if s, err := unix.IoctlGetTermios(int(slave.Fd()), unix.TCGETS); err != nil || s.Cflag&unix.CBAUD != unix.B19200 {
				heard = append(heard, bytes.Repeat([]byte{'~'}, n)...) // none of them is an end
				continue
			}
			for heard = append(heard, b[:n]...); ; {
				message, rest, ended := bytes.Cut(heard, []byte("\r\n"))
				if !ended {
					break
				}
				early := time.Since(answered) < 60*time.Millisecond
				query := string(message)
				if heard = bytes.Clone(rest); early || strings.HasPrefix(query, "SYST") {
					continue
				}
				asked, k := strings.Split(query, ";"), -1
				answer := level.ReplaceAllStringFunc(strings.TrimSuffix(string(i.Handle(message)), "\n"), func(x string) string {
					if k++; strings.Contains(asked[min(k, len(asked)-1)], "CURR") {
						return x + "A"
					}
					return x + "V"
				})
				if answer == "" {
					continue
				}
				<-time.After(60 * time.Millisecond)
				if _, err := io.WriteString(master, answer+"\r\n"); err != nil {
					return
				}
				answered = time.Now()
			}
		}
	}()
	return slave.Name()
}

func served(t *testing.T, setup simulated.Setup, link string) string {
	t.Helper()
	i, err := simulated.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	p, err := simulated.Serve(t.Context(), i, link)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	return p.Path()
}

// nightcell runs a command line in process.
func commanded(in string, args ...string) (code int, out, errors string) {
	var o, e bytes.Buffer
	code = run(args, &shell{in: strings.NewReader(in), out: &o, err: &e})
	return code, o.String(), e.String()
}

// settingsOf are the settings of a terminal.
func settingsOf(t *testing.T, path string) unix.Termios {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	return *s
}

// TestAttach is an odd supply from an unknown port to a watch that counts right, with the cell of a plan, asked nothing.
func TestAttach(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	supply, plan, written := filepath.Join(dir, "supply"), filepath.Join(dir, "zinc.toml"), filepath.Join(dir, "found.toml")
	port := odd(t, supply)
	if code, _, said := commanded("", append(zincArgs, "--write", plan)...); code != 0 {
		t.Fatal(said)
	}
	text, err := os.ReadFile(plan)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte("[supply.bench]\n"), []byte("[supply.bench]\nrange_current = \"5 A\" # by its plate\n"), 1)
	if err := os.WriteFile(plan, text, 0o600); err != nil {
		t.Fatal(err)
	}
	before := settingsOf(t, port)
	begun := time.Now()
	code, out, said := commanded("", "attach", supply, "--plan", plan, "--write", written, "--yes")
	if code != 0 {
		t.Fatalf("exit code %d\n%s%s", code, out, said)
	}
	t.Logf("attached in %v", time.Since(begun))
	for _, want := range []string{"19200 baud", `"\r\n" ends a message`, "there is no error queue", "follows amperes", "of rest after each answer", "Not known, and so left out:",
		"in the bath  56.8", "3.0016 A", "k = 2"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not said in\n%s", want, out)
		}
	}
	if after := settingsOf(t, port); after != before {
		t.Errorf("the port is left at %+v, it was %+v", after, before)
	}
	found, err := os.ReadFile(written)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`range_current = "5 A" # by its plate`, "#   Accuracy of the current", `errors = "" # neither`, `recover = "85 %"`} {
		if !strings.Contains(string(found), want) {
			t.Errorf("%q is not written in\n%s", want, found)
		}
	}
	c, err := configs.Load(written)
	if err != nil || len(c.Cells) != 1 || c.Cells[0].Bath == nil || c.Supplies[0].Line.Baud != 19200 || len(c.Unfilled()) > 0 {
		t.Fatalf("%+v, %v", c, err)
	}

	if err := os.WriteFile(written, append([]byte("page.listen = \"127.0.0.1:0\"\n"), found...), 0o600); err != nil {
		t.Fatal(err)
	}
	watch := exec.Command("nightcell", "watch", "--config", written)
	watch.Dir = dir
	if err := watch.Start(); err != nil {
		t.Fatal(err)
	}
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for readings, end := 0, time.Now().Add(2*time.Minute); readings < 6 && time.Now().Before(end); <-tick.C {
		if logs, _ := filepath.Glob(dir + "/nightcell-data/runs/zinc-1/*/log.lp"); len(logs) > 0 {
			text, _ := os.ReadFile(logs[0])
			readings = bytes.Count(text, []byte("\nreading"))
		}
	}
	if err := watch.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := watch.Wait(); err != nil {
		t.Error(err)
	}
	runs, err := filepath.Glob(dir + "/nightcell-data/runs/zinc-1/*")
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	if code, out, said = commanded("", "verify", runs[0]); code != 0 {
		t.Fatal(code, out, said)
	}
	v, err := runlog.ReplayFile(runs[0])
	if err != nil {
		t.Fatal(err)
	}
	// The simulated supply holds 3 A, and its meter errs within 0.1 % + 5 mA.
	if mean := v.Totals.Charge / v.Totals.Elapsed.Seconds(); v.Readings < 6 || v.Totals.Gaps > 0 || !(math.Abs(mean-3) < 0.008) {
		t.Errorf("%+v is %g A", v.Totals, mean)
	}
}

var zincArgs = []string{"plan", "--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %", "--efficiency", "88 %", "--current", "3 A",
	"--cathode-area", "60 cm2", "--separator", "diaphragm"}

// TestAttachAsks: what a supply does not tell is asked, a mistake again, and whoever stops has nothing written.
func TestAttachAsks(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	supply, written, stopped := filepath.Join(dir, "supply"), filepath.Join(dir, "new.toml"), filepath.Join(dir, "stopped.toml")
	served(t, simulated.Setup{Clock: drivers.NewClock(1), Seed: 1}, supply)
	code, out, said := commanded("9\n2\n3 A\n0.1 %\n5 mA\n\n5 V\n", "attach", supply, "--write", written)
	if code != 0 || !strings.Contains(out, `"9" is not a channel from 1 to 2`) || !strings.Contains(out, "is a current; a fraction is needed") || !strings.Contains(out, "supply bench, channel 2") {
		t.Errorf("exit code %d\n%s%s", code, out, said)
	}
	c, err := configs.Load(written)
	if err != nil {
		t.Fatal(err)
	}
	cell, a := c.Cells[0], c.Supplies[0].Accuracy
	if cell.Channel != 2 || math.Abs(cell.Limits.Amperes-3.3) > 1e-9 || cell.Limits.Volts != 5 || a.GainRelative != 0.001 || a.OffsetAmperes != 0.005 || c.Supplies[0].Assumed || a.ResolutionAmperes != 1e-4 {
		t.Errorf("%+v %+v", cell, a)
	}
	for _, in := range []string{"", "2\nq\n"} {
		if code, out, said := commanded(in, "attach", supply, "--write", stopped); code != 0 || !strings.Contains(out, "Nothing was written") {
			t.Errorf("exit code %d\n%s%s", code, out, said)
		}
	}
	if _, err := os.Lstat(stopped); err == nil {
		t.Error("it was written")
	}
}

// TestAttachAsksForTheUnit: once a person says mA, what was taken for A is written in A, but not what a person had stated.
func TestAttachAsksForTheUnit(t *testing.T) {
	found := scpi.Finding{Line: line.Settings{Baud: 9600, DataBits: 8, Parity: "none"}, Dialect: scpi.Standard(), Scale: true, Volts: scpi.Meter{Last: 4, Step: 0.01, Set: 6, Most: 32}, Amperes: scpi.Meter{Last: 298, Step: 1, Set: 300, Most: 900}}
	for in, want := range map[string]string{
		"mA\n0.1 %\n5 mA\n\n\n":     "true 900 mA 1 mA 330 mA 5.20 V",
		"A\nunknown\n5 mA\n\n5 V\n": "<nil> 900 A 1 A 330 A 5 V",
	} {
		var out bytes.Buffer
		is := found
		a := attach{firstNight: firstNight{shell: &shell{in: strings.NewReader("V\n" + in), out: &out}}, port: "tcp://192.0.2.7:5025", is: &is}
		if err := a.begin(); err != nil {
			t.Fatal(err)
		}
		a.doc.set("supply.bench.range_voltage", "20 V")
		a.doc.set("supply.bench.parity", "even") // and it was found to be none
		a.state()
		if err := a.settle(t.Context()); err != nil {
			t.Fatalf("%v\n%s", err, &out)
		}
		get := a.doc.get
		got := fmt.Sprint(get("supply.bench.dialect.milliamperes"), " ", get("supply.bench.range_current"), " ", get("supply.bench.accuracy.current_resolution"), " ",
			get("cell.cell-1.limits.current"), " ", get("cell.cell-1.limits.voltage"))
		if got != want || get("supply.bench.range_voltage") != "20 V" || get("supply.bench.parity") != "none" || !strings.Contains(out.String(), `"V" is neither A nor mA`) {
			t.Errorf("%s, want %s\n%s", got, want, &out)
		}
	}
}

// TestRecording: what check has recorded stands for the supply, in a rehearsal of its configuration and on a pseudo-terminal.
func TestRecording(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	served(t, simulated.Setup{Clock: drivers.NewClock(1), Seed: 1}, filepath.Join(dir, "supply"))
	config := func(name, port, more string) {
		t.Helper()
		text := fmt.Sprintf("data = \"data\"\n[supply.bench]\nport = %q\n%s\n[cell.zinc-1]\nsupply = \"bench\"\n", port, more)
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	config("night.toml", "supply", "")
	code, asked, said := commanded("", "check", "--ask", "--config", "night.toml", "--record", "supply.rec")
	if info, err := os.Stat("supply.rec"); code != 0 || err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("exit code %d, %v, %v\n%s", code, info, err, said)
	}
	if code, _, said := commanded("", "check", "--config", "night.toml", "--record", "more.rec"); code != 2 || !strings.Contains(said, "add it") {
		t.Errorf("exit code %d\n%s", code, said)
	}
	if code, out, said := commanded("", "attach", "--rehearse", "supply.rec", "--config", "night.toml"); code != 0 || !strings.Contains(out, "speaks as the recording does") {
		t.Errorf("exit code %d\n%s%s", code, out, said)
	}
	config("wrong.toml", "supply", "dialect.volts_unit = \"V\"\ndialect.output = \"OUTP:STAT?\"")
	if code, out, _ := commanded("", "attach", "--rehearse", "supply.rec", "--config", "wrong.toml"); code != 1 || !strings.Contains(out, "PROBLEM") || !strings.Contains(out, "never asked in the recording: OUTP:STAT?") {
		t.Errorf("another dialect: exit code %d\n%s", code, out)
	}
	r, err := recording.Load("supply.rec")
	if err != nil {
		t.Fatal(err)
	}
	config("played.toml", served(t, simulated.Setup{Clock: drivers.NewClock(1), Recording: r}, filepath.Join(dir, "played")), "")
	code, again, said := commanded("", "check", "--ask", "--config", "played.toml")
	between := func(out string) string {
		_, out, _ = strings.Cut(out, "identity")
		out, _, _ = strings.Cut(out, "reading") // of the readings on the way, a slow machine may have had to ask for one more
		return out
	}
	if code != 0 || between(again) != between(asked) || len(between(asked)) < 100 || !strings.Contains(again, "3.0016 A, within") {
		t.Errorf("a recording as a supply: exit code %d\n%s%s\nbut the supply:\n%s", code, again, said, asked)
	}
}

// TestAttachInVain: one sentence with what to do, and the port as it was.
func TestAttachInVain(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	there, torn, none := filepath.Join(dir, "there.toml"), filepath.Join(dir, "torn.rec"), filepath.Join(dir, "none.toml")
	if err := os.WriteFile(there, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(torn, []byte("nightcell-recording 1 2026-01-12T20:00:00Z\n0 1 = \"x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	master, slave := housetest.RawTerminal(t)
	go func() { // a thing that talks by itself, until the end closes it
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for ; ; <-tick.C {
			if _, err := io.WriteString(master, "$TIME,201502\r\n"); err != nil {
				return
			}
		}
	}()
	go func() { _, _ = io.Copy(io.Discard, master) }()
	before := settingsOf(t, slave.Name())
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"", 2, "the port is missing"},
		{"x --write " + there, 2, "the file exists"},
		{"x --write " + dir + "/new.txt", 2, "ends in .toml"},
		{"x --plan " + none, 2, "no such file"},
		{"x --record " + there, 2, "not overwritten"},
		{none, 1, "there is no such port"},
		{there, 1, "not a serial port"},
		{"udp://x", 1, "this kind of address is not known"},
		{"tcp://127.0.0.1:1", 1, "check that the supply is on"},
		{slave.Name(), 1, "talks without being asked"},
		{"--rehearse " + torn, 2, "give --config FILE"},
		{"--rehearse " + torn + " --config " + none, 2, "no such file"},
	} {
		code, out, said := commanded("", strings.Fields("attach "+c.args+" --yes")...)
		if code != c.code || !strings.Contains(said, c.want) || strings.Count(said, "\n") != 1 {
			t.Errorf("%q: exit code %d, %s%s", c.args, code, out, said)
		}
	}
	if after := settingsOf(t, slave.Name()); after != before {
		t.Errorf("the port is left at %+v, it was %+v", after, before)
	}
	if code, _, said := commanded("", "simulate", "--recording", torn); code != 2 || !strings.Contains(said, "torn.rec:2: bytes that do not end as they should") {
		t.Errorf("%d, %s", code, said)
	}
}
