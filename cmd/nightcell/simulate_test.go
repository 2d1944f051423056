//go:build linux || darwin || freebsd

package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.bug.st/serial"
)

// simulateOnce runs simulate while a client asks one question as soon as the port is printed.
func simulateOnce(t *testing.T, query string, args ...string) (answer, after string) {
	t.Helper()
	read, write := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run(append([]string{"simulate"}, args...), &shell{in: strings.NewReader(""), out: write, err: io.Discard})
		_ = write.Close()
	}()
	out := bufio.NewReader(read)
	first, err := out.ReadString('\n')
	path, ok := strings.CutPrefix(strings.TrimSpace(first), "port ")
	if err != nil || !ok {
		t.Fatalf("first line %q, %v", first, err)
	}
	port, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	if err := port.SetReadTimeout(5 * time.Second); err != nil {
		t.Fatal(err)
	}
	if _, err := port.Write([]byte(query + "\n")); err != nil {
		t.Fatal(err)
	}
	var got []byte
	for buffer := make([]byte, 64); !bytes.HasSuffix(got, []byte("\n")); {
		n, err := port.Read(buffer)
		if err != nil || n == 0 {
			t.Fatalf("after %q: %v", got, err)
		}
		got = append(got, buffer[:n]...)
	}
	rest, err := io.ReadAll(out)
	if err != nil {
		t.Fatal(err)
	}
	if c := <-code; c != 0 {
		t.Errorf("exit code %d", c)
	}
	return strings.TrimSpace(string(got)), string(rest)
}

func TestSimulateServesAndTellsTheTruth(t *testing.T) {
	link := filepath.Join(t.TempDir(), "bench-supply")
	answer, after := simulateOnce(t, "*IDN?;:CURR?", "--link", link, "--speed", "3600", "--duration", "1h")
	if answer != "EXAMPLE,PS-30-5,SIM-0001,1.0;3.0000" {
		t.Errorf("answer %q", answer)
	}
	if !strings.Contains(after, "true figures after 1 h: charge 3.0000 A·h, deposit 3.2") || !strings.Contains(after, "bath 0.89") {
		t.Errorf("the truth reads\n%s", after)
	}
	if _, err := os.Lstat(link); err == nil {
		t.Error("the link is left behind")
	}
}

// Without --duration it serves until it is interrupted, and then tells the truth all the same.
func TestSimulateUntilInterrupted(t *testing.T) {
	read, write := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run([]string{"simulate", "--speed", "100"}, &shell{in: strings.NewReader(""), out: write, err: io.Discard})
		_ = write.Close()
	}()
	out := bufio.NewReader(read)
	if first, err := out.ReadString('\n'); err != nil || !strings.HasPrefix(first, "port ") { // now it listens for the signal
		t.Fatalf("first line %q, %v", first, err)
	}
	if err := syscall.Kill(os.Getpid(), syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	rest, err := io.ReadAll(out)
	if c := <-code; err != nil || c != 0 || !strings.HasPrefix(string(rest), "true figures after ") {
		t.Errorf("exit code %d, %v:\n%s", c, err, rest)
	}
}

// TestSimulateTellsTheTruth in figures that go together.
func TestSimulateTellsTheTruth(t *testing.T) {
	var out, said bytes.Buffer
	args := []string{"simulate", "--speed", "20000", "--duration", "2h", "--scenario", "../../testdata/scenarios/quiet-night.toml", "--seed", "7"}
	if c := run(args, &shell{in: strings.NewReader(""), out: &out, err: &said}); c != 0 || said.Len() > 0 {
		t.Fatalf("exit code %d, %s", c, said.String())
	}
	_, truth, _ := strings.Cut(out.String(), "\n")
	var charge, deposit, initial, energy, litres, concentration, celsius, hydrogen, volts, amperes float64
	if _, err := fmt.Sscanf(truth, "true figures after 2 h: charge %f A·h, deposit %f g of %f g, energy %f W·h\nbath %f L at %f g/L and %f °C; hydrogen %f mol; now %f V, %f A\n",
		&charge, &deposit, &initial, &energy, &litres, &concentration, &celsius, &hydrogen, &volts, &amperes); err != nil {
		t.Fatalf("%v in %s", err, out.String())
	}
	// Faraday: all charge is metal (65.38 g over two electrons, CODATA's constant) or hydrogen, of which four decimals are told.
	moles := deposit/65.38 + hydrogen
	if charge != 6 || math.Abs(moles*2*96485.33212/3600-charge) > 0.005 || amperes != 3 || energy < 3.3*6 {
		t.Errorf("%.5f mol in\n%s", moles, truth)
	}
}

// With two channels each drives a cell, and the truth of both is told.
func TestSimulateTwoChannels(t *testing.T) {
	var out, err bytes.Buffer
	if c := run([]string{"simulate", "--channels", "2", "--speed", "20000", "--duration", "1h"}, &shell{in: strings.NewReader(""), out: &out, err: &err}); c != 0 {
		t.Fatalf("exit code %d, %s", c, err.String())
	}
	if text := out.String(); !strings.Contains(text, "channel 1: true figures after 1 h: charge 3.0000 A·h") || !strings.Contains(text, "channel 2: true figures after 1 h: charge 1.5000 A·h") {
		t.Error(text)
	}
}

func TestSimulateMistakes(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "bad.toml")
	if err := os.WriteFile(bad, []byte("duration = \"1 h\"\n\n[[event]]\nkind = \"earthquake\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--channels", "9"}, 2, "--channels 9: choose 1 to 8"},
		{[]string{"--channels", "0"}, 2, "--channels 0: choose 1 to 8"},
		{[]string{"--speed", "0"}, 2, "--speed 0: choose 1 to 1000000"},
		{[]string{"--speed", "NaN"}, 2, "--speed NaN: choose 1 to"},
		{[]string{"--duration", "-1s"}, 2, "--duration -1s: give a time above zero"},
		{[]string{"--scenario", bad}, 2, "bad.toml:4: kind: \"earthquake\" is not a kind of event"},
		{[]string{"--scenario", "nowhere.toml"}, 2, "nowhere.toml"},
		{[]string{"quiet-night.toml"}, 2, "use --scenario for a scenario"},
		{[]string{"--loud"}, 2, "unknown flag: --loud"},
		{[]string{"--link", bad}, 2, "exists and is not a symbolic link"},
	} {
		var out, err bytes.Buffer
		code := run(append([]string{"simulate"}, c.args...), &shell{in: strings.NewReader(""), out: &out, err: &err})
		if code != c.code || !strings.Contains(err.String(), c.says) || out.Len() > 0 {
			t.Errorf("%v: exit code %d, %q, want %d and %q", c.args, code, err.String(), c.code, c.says)
		}
	}
}
