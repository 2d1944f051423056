package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// check runs nightcell check and returns what it printed and its exit code.
func check(t *testing.T, args ...string) (out, complaints string, code int) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	cmd := newCheckCommand(&shell{out: &stdout, err: &stderr})
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	cmd.SetArgs(append([]string{}, args...)) // nil would mean the test's own
	err := cmd.ExecuteContext(t.Context())
	var usage usageError
	switch {
	case errors.As(err, &usage):
		code = 2
	case err != nil:
		code = 1
	}
	if err != nil && !errors.Is(err, errSilent) {
		fmt.Fprintln(&stderr, err)
	}
	return stdout.String(), stderr.String(), code
}

// writeConfig writes a configuration to a folder of its own.
func writeConfig(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "nightcell.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const zincExample = "../../configs/divided-zinc-overnight.toml"

func TestCheckPrintsTheTarget(t *testing.T) {
	out, complaints, code := check(t, "--config", zincExample)
	if code != 0 || complaints != "" {
		t.Fatalf("exit code %d: %s", code, complaints)
	}
	for _, want := range []string{
		"no mistakes; 1 cell\n", "cell zinc-1", "channel 1, on /dev/serial/by-id/", "off; at target: off; when nightcell stops: leave",
		"in the bath  49.5 ", "g of zinc", "A·h, as counted with this supply", "add --ask to query them",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
}

// 0.9 L at 55 g/L hold 49.5 g of zinc (65.38 g/mol, CIAAW abridged weight); F from CODATA. 85 % of it is to be recovered at 88 %.
func TestCheckTarget(t *testing.T) {
	out, _, code := check(t, "--config", zincExample)
	var grams, charge, doubt float64
	for pattern, into := range map[string][]any{`in the bath  ([0-9.]+) `: {&grams}, `target       ([0-9.]+) ± ([0-9.]+) A·h`: {&charge, &doubt}} {
		found := regexp.MustCompile(pattern).FindStringSubmatch(out)
		if found == nil {
			t.Fatalf("exit code %d, %s is missing in\n%s", code, pattern, out)
		}
		for i, v := range into {
			if _, err := fmt.Sscan(found[i+1], v); err != nil {
				t.Fatal(err)
			}
		}
	}
	if want := 0.85 * 49.5 / 65.38 * 2 * 96485.33 / 3600 / 0.88; grams != 49.5 || math.Abs(charge-want) > 0.06 || doubt <= 0 {
		t.Errorf("want %g A·h:\n%s", want, out)
	}
}

// TestCheckNotesASlowDialect, whose first contact may outlast the watchdog of the unit.
func TestCheckNotesASlowDialect(t *testing.T) {
	for timeout, want := range map[string]bool{"1 s": false, "2 s": false, "4 s": true} {
		path := writeConfig(t, "data = \"d\"\n[supply.bench]\nport = \"p\"\n[supply.bench.dialect]\ntimeout = \""+timeout+"\"\n[cell.zinc-1]\nsupply = \"bench\"\n")
		out, complaints, code := check(t, "--config", path)
		if code != 0 || strings.Contains(out, "WatchdogSec") != want {
			t.Errorf("timeout %s: exit code %d: %s\n%s", timeout, code, complaints, out)
		}
	}
}

func TestCheckReportsAllMistakes(t *testing.T) {
	path := writeConfig(t, "data = \"d\"\nbaud = 3\n[cell.a]\nsupply = \"b\"\npoll = \"1,5 s\"\n")
	out, complaints, code := check(t, "--config", path)
	want := path + ":2: baud: there is no such key; choose from cell, data, format, heartbeat, meter, page, preflight, push, route, socket, supply\n" +
		path + ":4: cell.a.supply: there is no supply 'b'; write a table [supply.b]\n" +
		path + ":5: cell.a.poll: '1,5 s' has a comma: numbers take a decimal point and no thousands mark; write '1.5 s'\n"
	if code != 2 || out != "" || complaints != want {
		t.Errorf("exit code %d, got\n%s%swant\n%s", code, out, complaints, want)
	}
}

func TestCheckUsage(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "--config is missing"},
		{[]string{"--config", "no-such.toml"}, "no-such.toml"},
		{[]string{"--config", zincExample, "--patience", "20"}, "--patience: '20' has no unit"},
		{[]string{"--config", zincExample, "--patience", "2 h"}, "give a time above zero and up to 1 h"},
	} {
		if _, complaints, code := check(t, c.args...); code != 2 || !strings.Contains(complaints, c.want) {
			t.Errorf("%v: exit code %d: %s", c.args, code, complaints)
		}
	}
}

func TestCheckFindsSecretsThatAreNotThere(t *testing.T) {
	path := writeConfig(t, "data = \"d\"\n[supply.b]\nport = \"/dev/ttyUSB0\"\n[cell.a]\nsupply = \"b\"\n[heartbeat]\nurl_file = \"no-url\"\n")
	out, _, code := check(t, "--config", path)
	if code != 2 || !strings.Contains(out, ":6: heartbeat: ") || !strings.Contains(out, "no-url") {
		t.Errorf("exit code %d: %s", code, out)
	}
}

// serve puts the simulated supply on a pseudo-terminal and returns it with the port's name.
func serve(t *testing.T, setup simulated.Setup) (*simulated.Instrument, string) {
	t.Helper()
	setup.Clock = drivers.NewClock(1)
	instrument, err := simulated.New(setup)
	if err != nil {
		t.Fatal(err)
	}
	port, err := simulated.Serve(t.Context(), instrument, filepath.Join(t.TempDir(), "port"))
	if err != nil && runtime.GOOS != "linux" {
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	})
	return instrument, port.Path()
}

// standing is what a supply holds that nobody but its operator may change.
func standing(t *testing.T, i *simulated.Instrument) []drivers.Status {
	t.Helper()
	var all []drivers.Status
	for channel := 1; channel <= 2; channel++ {
		s, err := i.ObserveStatus(channel, 0)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, s)
	}
	return all
}

// crowd counts how many lines are open at the same time.
type crowd struct{ now, most atomic.Int32 }

func (c *crowd) enter() {
	now := c.now.Add(1)
	for most := c.most.Load(); now > most && !c.most.CompareAndSwap(most, now); most = c.most.Load() {
	}
}

// silent is a supply on the network that takes one connection and never answers.
func silent(t *testing.T, c *crowd) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := l.Accept()
		if err != nil {
			return // nobody came, and the listener was closed below
		}
		c.enter()
		_, _ = io.Copy(io.Discard, conn) // until the other side gives up
		c.now.Add(-1)
		_ = conn.Close()
	}()
	t.Cleanup(func() {
		_ = l.Close()
		<-done
	})
	return l.Addr().String()
}

func TestAskChangesNothing(t *testing.T) {
	instrument, port := serve(t, simulated.Setup{Seed: 1})
	before := standing(t, instrument)
	path := writeConfig(t, fmt.Sprintf(`
data = "d"
[supply.bench]
port = %q
identity = "EXAMPLE,PS-30-5"
range_voltage = "32 V"
range_current = "5.1 A"
[supply.bench.dialect]
addressing = "list"
[cell.zinc]
supply = "bench"
[cell.zinc.limits]
current = "2.5 A"
voltage = "6 V"
[cell.idle]
supply = "bench"
channel = 2
`, port))
	out, complaints, code := check(t, "--config", path, "--ask")
	zinc, idle, both := strings.Cut(out[strings.Index(out, "\nsupply bench, channel 1, on "):], "\nsupply bench, channel 2, on ")
	if code != 0 || !both {
		t.Fatalf("exit code %d\n%s%s", code, out, complaints)
	}
	for _, want := range []string{
		"identity     EXAMPLE,PS-30-5,SIM-0001,1.0\n", "output       on, constant-current\n", "set to       6 V, 3 A\n", "protection   8 V, 4 A\n", " V, 3.00",
		"set-point 3 A is above the cell's limit of 2.5 A", "A, above", "over-voltage level 8 V is above",
	} {
		if !strings.Contains(zinc, want) {
			t.Errorf("the cell's channel: %q is missing in\n%s", want, zinc)
		}
	}
	for _, want := range []string{"identity     EXAMPLE,PS-30-5,SIM-0001,1.0\n", "output       off", ", 0.1 A\n", "reading "} {
		if !strings.Contains(idle, want) {
			t.Errorf("the idle channel: %q is missing in\n%s", want, idle)
		}
	}
	after := standing(t, instrument)
	if diff := cmp.Diff(before, after, cmpopts.IgnoreFields(drivers.Status{}, "At", "Errors"), cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("asking changed the supply:\n%s", diff)
	}
}

// Supplies are asked at the same time, and none takes longer than it may.
func TestAskIsBounded(t *testing.T) {
	_, port := serve(t, simulated.Setup{Seed: 1})
	var b strings.Builder
	fmt.Fprintf(&b, "data = \"d\"\n[supply.other]\nport = %q\nidentity = \"EXAMPLE,PS-99\"\n[supply.gone]\nport = \"/dev/no-such-port\"\n[cell.a]\nsupply = \"other\"\n", port)
	var crowd crowd
	for i := range 4 {
		fmt.Fprintf(&b, "[supply.silent-%d]\nport = \"tcp://%s\"\n", i, silent(t, &crowd))
	}
	out, _, code := check(t, "--config", writeConfig(t, b.String()), "--ask", "--patience", "1 s")
	asked := strings.Split(out, "\nsupply ")[1:]
	if code != 1 || len(asked) != 6 {
		t.Fatalf("exit code %d, %d supplies\n%s", code, len(asked), out)
	}
	for i, want := range []string{"a different instrument answers", "/dev/no-such-port", "", "", "", ""} {
		if !regexp.MustCompile(`(?m)^  PROBLEM      .*` + want).MatchString(asked[i]) {
			t.Errorf("supply %d: %q", i, asked[i])
		}
	}
	if most := crowd.most.Load(); most != 4 {
		t.Errorf("%d of 4 silent supplies were asked at the same time", most)
	}
}
