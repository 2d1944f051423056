//go:build linux

package campaign

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// patience is how long a process may take to do what it must, on a machine that is busy with other things.
const patience = 2 * time.Minute

// program is nightcell, built by TestMain.
var program string

// TestMain builds nightcell, and lets four tests run side by side because they mostly wait, unless the flags say otherwise.
func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	housetest.Flags(map[string]string{"test.parallel": "4"})
	dir, err := os.MkdirTemp("", "nightcell-campaign")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	program = filepath.Join(dir, "nightcell")
	build := exec.Command("go", "build", "-o", program, "nightcell/cmd/nightcell")
	build.Env = append(os.Environ(), "CGO_ENABLED=0") // as it is released
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "building nightcell: %v\n%s", err, out)
		return 1
	}
	return m.Run()
}

// journal takes what a process says, and tells when it has said something.
type journal struct {
	mu    sync.Mutex
	text  bytes.Buffer
	heard chan struct{}
}

func newJournal() *journal { return &journal{heard: make(chan struct{}, 1)} }

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	select {
	case j.heard <- struct{}{}:
	default:
	}
	return j.text.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.String()
}

// address is where the process serves its page, once it watches.
func (j *journal) address() (string, bool) {
	address, watching := "", false
	for line := range strings.Lines(j.String()) {
		if _, a, ok := strings.Cut(line, `msg="page and metrics" address=`); ok {
			address = strings.Fields(a)[0]
		}
		watching = watching || strings.Contains(line, "msg=watching")
	}
	return address, watching
}

// began is the time of the line that says that the watch is on, within milliseconds of when its clock began.
func (j *journal) began(t *testing.T) time.Time {
	t.Helper()
	for line := range strings.Lines(j.String()) {
		if !strings.Contains(line, "msg=watching") {
			continue
		}
		stamp, _, _ := strings.Cut(strings.TrimPrefix(line, "time="), " ")
		at, err := time.Parse(time.RFC3339Nano, stamp)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	t.Fatalf("the watch is not on:\n%s", j)
	return time.Time{}
}

// process is one nightcell process.
type process struct {
	cmd    *exec.Cmd
	said   *journal
	client *http.Client
	base   string     // of page and metrics
	done   chan error // its end; holds one
}

// startWatch starts a process and waits until it watches. command is the program and
// what comes before its name and arguments.
func startWatch(t *testing.T, command []string, config string, speed float64) *process {
	t.Helper()
	w := &process{said: newJournal(), done: make(chan error, 1), client: &http.Client{Timeout: patience}}
	args := append(command[1:len(command):len(command)], "watch", "--config", config, "--speed", strconv.FormatFloat(speed, 'g', -1, 64))
	w.cmd = exec.Command(command[0], args...)
	w.cmd.Stdout, w.cmd.Stderr = w.said, w.said
	w.cmd.WaitDelay = patience
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { w.done <- w.cmd.Wait() }()
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	for {
		if a, ok := w.said.address(); ok {
			w.base = "http://" + a
			return w
		}
		select { // ends with the deadline
		case <-w.said.heard:
		case err := <-w.done:
			t.Fatalf("nightcell ended instead of watching: %v\n%s", err, w.said)
		case <-deadline.C:
			w.kill(t)
			t.Fatalf("nightcell was not ready in time\n%s", w.said)
		}
	}
}

// kill ends the process at once, as a power cut would, and waits until it is gone. A
// process that has ended by itself fails the test with all that it said.
func (w *process) kill(t *testing.T) {
	t.Helper()
	select {
	case err := <-w.done:
		t.Fatalf("nightcell ended by itself: %v\n%s", err, w.said)
	default:
	}
	if err := w.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	var ended *exec.ExitError
	err := <-w.done
	if status, ok := syscall.WaitStatus(0), false; errors.As(err, &ended) {
		if status, ok = ended.Sys().(syscall.WaitStatus); ok && status.Signal() == syscall.SIGKILL {
			return
		}
	}
	t.Fatalf("nightcell ended by itself: %v\n%s", err, w.said)
}

// stop ends the process politely and returns its exit error.
func (w *process) stop(t *testing.T) error {
	t.Helper()
	if err := w.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatalf("nightcell ended by itself: %v, %v\n%s", err, <-w.done, w.said)
	}
	select {
	case err := <-w.done:
		return err
	case <-time.After(patience):
		w.kill(t)
		return fmt.Errorf("nightcell did not stop in time\n%s", w.said)
	}
}

// metrics is one look at the cell's metrics, all of the same moment, by name; a
// label other than the cell's and the supply's is put behind the name.
type metrics map[string]float64

func (w *process) metrics() (metrics, error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, w.base+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	resp, err := w.client.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	m := metrics{}
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		name, rest, ok := strings.Cut(lines.Text(), "{")
		labels, value, ok2 := strings.Cut(rest, "} ")
		if !ok || !ok2 {
			continue
		}
		for label := range strings.SplitSeq(labels, ",") {
			if k, v, _ := strings.Cut(label, "="); k == "reason" {
				name += " " + strings.Trim(v, `"`)
			}
		}
		if v, err := strconv.ParseFloat(value, 64); err == nil {
			m[name] = v
		}
	}
	return m, lines.Err()
}

// until waits for what the metrics must come to show.
func (w *process) until(t *testing.T, what string, limit time.Duration, ok func(metrics) bool) metrics {
	t.Helper()
	deadline := time.Now().Add(limit)
	for {
		m, err := w.metrics()
		if err == nil && ok(m) {
			return m
		}
		select {
		case ended := <-w.done:
			t.Fatalf("nightcell ended by itself before %s: %v\n%s", what, ended, w.said)
		default:
		}
		if time.Now().After(deadline) {
			w.kill(t)
			t.Fatalf("not within %v: %s (%v)\n%v\n%s", limit, what, err, m, w.said)
		}
		wait(t, 20*time.Millisecond)
	}
}

// wait lets real time pass while other processes work.
func wait(t *testing.T, d time.Duration) {
	t.Helper()
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.Context().Done():
	}
}

// realOrSkip skips a test whose outside tool is not there, unless the tests must all run.
func realOrSkip(t *testing.T, tool string) string {
	t.Helper()
	path, err := exec.LookPath(tool)
	if err == nil {
		return path
	}
	if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
		t.Fatalf("%s is required: %v", tool, err)
	}
	t.Skipf("%s is not installed: %v", tool, err)
	return ""
}
