package fleet

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// suppliesOf is the variable that turns this test into simulated supplies: how many, of which kind, and the folder that tells where they are.
// They run as a process of their own, so that neither side is charged with their work.
const suppliesOf = "NIGHTCELL_FLEET_SUPPLIES"

// portsFile names the supplies, one a line, once all of them answer.
const portsFile = "ports"

// supply answers until the process is killed, or half an hour has passed.
func supply(what string) {
	err := func() error {
		var n int
		var kind, dir string
		if _, err := fmt.Sscan(what, &n, &kind, &dir); err != nil {
			return err
		}
		var ports []string
		for i := range n {
			instrument, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(1), Seed: int64(i + 1)})
			if err != nil {
				return err
			}
			if kind == "serial" {
				port, err := simulated.Serve(context.Background(), instrument, filepath.Join(dir, fmt.Sprintf("supply-%d", i)))
				if err != nil {
					return err
				}
				ports = append(ports, port.Path())
				continue
			}
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return err
			}
			ports = append(ports, l.Addr().String())
			go answer(l, instrument)
		}
		made := filepath.Join(dir, portsFile)
		if err := os.WriteFile(made+".new", []byte(strings.Join(ports, "\n")), 0o600); err != nil {
			return err
		}
		if err := os.Rename(made+".new", made); err != nil {
			return err
		}
		<-time.After(30 * time.Minute)
		return nil
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// answer serves one connection after the other.
func answer(l net.Listener, instrument *simulated.Instrument) {
	for {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		for in := bufio.NewScanner(conn); in.Scan(); {
			if reply := instrument.Handle(in.Bytes()); len(reply) > 0 {
				if _, err := conn.Write(reply); err != nil {
					break
				}
			}
		}
		_ = conn.Close() // the other side is gone
	}
}

// contender is a process that polls, and what its log says of it between two moments.
type contender struct {
	name   string
	pid    int
	slips  func(from, to time.Time) [][]float64 // of each line: by how much the steps between readings part from the poll interval, in seconds
	before time.Duration

	polls  int
	cpu    time.Duration // for each poll
	onTime float64       // share of polls that came a tenth of the interval from their time, at most
}

// processTime is the processor time that the threads of a process have used, by the kernel's scheduler.
func processTime(t testing.TB, pid int) time.Duration {
	t.Helper()
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	if err != nil || len(threads) == 0 {
		t.Skipf("this system does not tell processor times to the nanosecond: %v", err)
	}
	var all time.Duration
	for _, path := range threads {
		text, err := os.ReadFile(path)
		var used time.Duration
		if _, bad := fmt.Sscan(string(text), &used); err == nil && bad == nil { // else the thread has ended
			all += used
		}
	}
	return all
}

// measure lets contenders poll for a time, side by side, and demands that each line was polled.
func measure(t *testing.T, poll, length time.Duration, all ...*contender) {
	t.Helper()
	for _, c := range all {
		c.before = processTime(t, c.pid)
	}
	from := time.Now()
	<-time.After(length)
	to := time.Now()
	for _, c := range all {
		used := processTime(t, c.pid) - c.before
		late := 0
		for line, slips := range c.slips(from, to) {
			if len(slips) == 0 {
				t.Errorf("%s did not poll line %d in %v", c.name, line+1, length)
			}
			c.polls += len(slips)
			for _, s := range slips {
				if s > poll.Seconds()/10 {
					late++
				}
			}
		}
		if c.polls > 0 {
			c.cpu, c.onTime = used/time.Duration(c.polls), 1-float64(late)/float64(c.polls)
		}
	}
}

// startSupplies returns the ports of so many supplies of a kind.
func startSupplies(t *testing.T, n int, kind string) []string {
	t.Helper()
	dir := t.TempDir()
	list := filepath.Join(dir, portsFile)
	launch(t, func() bool { _, err := os.Stat(list); return err == nil }, "env", fmt.Sprintf("%s=%d %s %s", suppliesOf, n, kind, dir), os.Args[0])
	text, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(string(text), "\n")
}

// startWatch begins a watch over supplies and returns it once each has been polled.
func startWatch(t *testing.T, ports []string, scheme string, poll time.Duration) (*bench, *contender) {
	t.Helper()
	b := &bench{t: t, data: t.TempDir(), address: freeAddress()}
	var text strings.Builder
	fmt.Fprintf(&text, "data = %q\n[page]\nlisten = %q\n", b.data, b.address)
	cell := strings.Replace(cellConfig, "sync = \"5 s\"\n", "", 1) // a log made durable as often as it is by default
	for i, port := range ports {
		b.cells = append(b.cells, fmt.Sprintf("cell-%d", i+1))
		fmt.Fprintf(&text, cell, b.cells[i], scheme+port, poll.String(), "3.3 A")
	}
	config := filepath.Join(b.data, "nightcell.toml")
	if err := os.WriteFile(config, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	b.process = launch(t, answers("http://"+b.address+"/metrics"), built(t), "watch", "--config", config)
	c := &contender{name: "nightcell", pid: b.cmd.Process.Pid, slips: func(from, to time.Time) (all [][]float64) {
		for _, cell := range b.cells {
			one := *b
			one.cells = []string{cell}
			all = append(all, one.jitter(poll, from, to))
		}
		return all
	}}
	waitFor(t, "every cell has two readings", func() bool {
		return !slices.ContainsFunc(b.cells, func(cell string) bool {
			_, err := os.Stat(filepath.Join(b.data, "runs", cell))
			return err != nil || b.lines(cell, runlog.KindReading) < 2
		})
	})
	return b, c
}

// startScript begins the same polls by a script of its own.
func startScript(t *testing.T, ports []string, poll time.Duration) (*process, *contender) {
	t.Helper()
	log := filepath.Join(t.TempDir(), "log")
	const python = "/usr/bin/python3" // Debian's, which has its packages
	if out, err := exec.Command(python, "-c", "import serial").CombinedOutput(); err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatalf("python3-serial is not installed: %v: %s", err, out)
		}
		t.Skip("python3-serial is not installed")
	}
	d := scpi.Standard()
	read := func(from, to time.Time) [][]float64 {
		all, last := make([][]float64, len(ports)), make([]float64, len(ports))
		f, err := os.Open(log)
		if err != nil {
			return all // not begun yet
		}
		defer f.Close()
		for in := bufio.NewScanner(f); in.Scan(); {
			var line int
			var at float64
			if _, err := fmt.Sscan(in.Text(), &line, &at); err != nil {
				t.Fatalf("%v: %q", err, in.Text())
			}
			moment := time.UnixMicro(int64(at * 1e6))
			if last[line] > 0 && moment.After(from) && moment.Before(to) {
				all[line] = append(all[line], math.Abs(at-last[line]-poll.Seconds()))
			}
			last[line] = at
		}
		return all
	}
	begun := func() bool {
		return !slices.ContainsFunc(read(time.Time{}, time.Now()), func(slips []float64) bool { return len(slips) == 0 })
	}
	p := launch(t, begun, append([]string{python, "testdata/script.py", log, fmt.Sprint(poll.Seconds()),
		d.MeasureBoth, d.Mode, d.Output}, ports...)...)
	return p, &contender{name: "the script", pid: p.cmd.Process.Pid, slips: read}
}

// TestBesideAScript measures processor time for each poll, and how many are on time, of a watch and of a script of the same polls in one
// run: one line, with the timers of a shell and of the service's unit, many lines, many sockets. Asserted is only what must hold on any machine: that every line is polled, and every cell scraped.
func TestBesideAScript(t *testing.T) {
	if !*load {
		t.Skip("run with -load")
	}
	for _, of := range []struct {
		lines int
		kind  string
		poll  time.Duration
		shell bool
	}{
		{1, "serial", time.Second, true}, {1, "serial", 100 * time.Millisecond, true}, {1, "serial", time.Second, false},
		{1, "serial", 100 * time.Millisecond, false}, {200, "serial", time.Second, false}, {1000, "tcp", 100 * time.Millisecond, false},
	} {
		t.Run(fmt.Sprintf("%d %s at %v, from a shell: %v", of.lines, of.kind, of.poll, of.shell), func(t *testing.T) {
			if !of.shell {
				easeTimers(t)
			}
			scheme := ""
			if of.kind == "tcp" {
				scheme = "tcp://"
			}
			ports := startSupplies(t, 2*of.lines, of.kind)
			b, watch := startWatch(t, ports[:of.lines], scheme, of.poll)
			if of.lines >= 1000 { // one after the other, because two processors do not suffice for both
				measure(t, of.poll, *loadPhase, watch)
				b.scrape()
				b.stop()
			}
			p, script := startScript(t, ports[of.lines:], of.poll)
			if of.lines >= 1000 {
				measure(t, of.poll, *loadPhase, script)
			} else {
				measure(t, of.poll, *loadPhase, watch, script)
			}
			p.kill()
			for _, c := range []*contender{watch, script} {
				t.Logf("%-10s %6d polls, %.3f ms of processor each, %.1f %% on time", c.name, c.polls, c.cpu.Seconds()*1e3, 100*c.onTime)
			}
			t.Logf("ratio %.2f", float64(watch.cpu)/float64(script.cpu))
		})
	}
}

// scrape tells how long the metrics of all cells take beside the polls, and that none is missing. A machine that is full of polls may put it off.
func (b *bench) scrape() {
	b.t.Helper()
	var took time.Duration
	waitFor(b.t, "all cells are scraped", func() bool {
		begun := time.Now()
		resp, err := http.Get("http://" + b.address + "/metrics")
		if err != nil {
			b.t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err := errors.Join(err, resp.Body.Close()); err != nil {
			b.t.Fatal(err)
		}
		took = time.Since(begun)
		return bytes.Count(body, []byte("\nnightcell_readings_total{")) == len(b.cells)
	})
	b.t.Logf("a scrape of %d cells takes %v", len(b.cells), took)
}
