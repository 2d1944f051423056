package campaign

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// binary is nightcell, built once for the whole test.
func binary(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "nightcell")
	out, err := exec.Command("go", "build", "-o", path, "nightcell/cmd/nightcell").CombinedOutput()
	if err != nil {
		t.Fatalf("building nightcell: %v\n%s", err, out)
	}
	return path
}

// watch is one nightcell process.
type watch struct {
	cmd     *exec.Cmd
	log     *bytes.Buffer
	address string // of page and metrics
	done    chan error
}

// startWatch starts a process and waits until it watches.
func startWatch(t *testing.T, program, config string, speed float64) *watch {
	t.Helper()
	w := &watch{log: new(bytes.Buffer), done: make(chan error, 1)}
	w.cmd = exec.Command(program, "watch", "--config", config, "--speed", strconv.FormatFloat(speed, 'g', -1, 64))
	pipe, err := w.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ready := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(pipe)
		address := ""
		for lines.Scan() {
			line := lines.Text()
			fmt.Fprintln(w.log, line)
			if _, a, ok := strings.Cut(line, "address="); ok {
				address = strings.Fields(a)[0]
			}
			if strings.Contains(line, "msg=watching") {
				ready <- address
			}
		}
		w.done <- w.cmd.Wait()
	}()
	select {
	case w.address = <-ready:
	case err := <-w.done:
		t.Fatalf("nightcell did not start: %v\n%s", err, w.log)
	case <-time.After(20 * time.Second):
		t.Fatalf("nightcell was not ready in time\n%s", w.log)
	}
	return w
}

// kill ends the process at once, as a power cut would, and waits until it is gone.
func (w *watch) kill(t *testing.T) {
	t.Helper()
	if err := w.cmd.Process.Kill(); err != nil {
		t.Fatalf("nightcell ended by itself: %v, %v\n%s", err, <-w.done, w.log)
	}
	<-w.done
}

// stop ends the process politely and returns its exit error.
func (w *watch) stop(t *testing.T) error {
	t.Helper()
	if err := w.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case err := <-w.done:
		return err
	case <-time.After(20 * time.Second):
		w.kill(t)
		return fmt.Errorf("nightcell did not stop in time\n%s", w.log)
	}
}

// metric reads one metric of the cell, false when it is not there (yet).
func (w *watch) metric(name string) (float64, bool) {
	client := http.Client{Timeout: 2 * time.Second}
	resp, err := client.Get("http://" + w.address + "/metrics")
	if err != nil {
		return 0, false
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, false
	}
	for line := range strings.Lines(string(body)) {
		if strings.HasPrefix(line, name+"{") {
			f := strings.Fields(line)
			v, err := strconv.ParseFloat(f[len(f)-1], 64)
			return v, err == nil
		}
	}
	return 0, false
}

// readingsIn counts the whole readings of a log.
func readingsIn(t *testing.T, path string) float64 {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return float64(bytes.Count(text, []byte("\nreading,")))
}
