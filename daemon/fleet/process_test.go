package fleet

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// patience is how long a condition may take on a busy machine. Waits end when it holds.
const patience = 3 * time.Minute

// waitFor looks again and again until ok, and fails after patience.
func waitFor(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			t.Fatalf("not within %v: %s", patience, what)
		case <-tick.C:
		}
	}
}

// program finds a real server. Without it the test is skipped, unless it must be there.
func program(t testing.TB, name string) string {
	t.Helper()
	for _, dir := range append(filepath.SplitList(os.Getenv("PATH")), "/usr/sbin") {
		if path, err := exec.LookPath(filepath.Join(dir, name)); err == nil {
			return path
		}
	}
	if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("%s is not installed", name)
	return ""
}

// nightcell is the program itself, built once.
var nightcell = sync.OnceValues(func() (string, error) {
	path := filepath.Join(binaries, "nightcell")
	build := exec.Command("go", "build", "-o", path, "nightcell/cmd/nightcell")
	build.Env = append(os.Environ(), "CGO_ENABLED=0") // as it is released
	out, err := build.CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("building nightcell: %w\n%s", err, out)
	}
	return path, nil
})

// binaries is where it is built; TestMain makes and removes it.
var binaries string

func built(t testing.TB) string {
	t.Helper()
	path, err := nightcell()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// freeAddress is a loopback address that nobody listens on.
func freeAddress() string {
	return fmt.Sprintf("127.0.0.1:%d", housetest.FreePort())
}

// tail keeps the last of what a process says.
type tail struct {
	mu   sync.Mutex
	text []byte
}

func (b *tail) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.text = append(b.text, p...)
	b.text = b.text[max(0, len(b.text)-40000):]
	return len(p), nil
}

func (b *tail) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return string(b.text)
}

// process is a program that can be started, killed and started again. It is killed
// and waited for at the end of the test.
type process struct {
	t    testing.TB
	argv []string
	// ready answers once the process does its work.
	ready func() bool

	cmd  *exec.Cmd
	said tail
	done chan error
}

func launch(t testing.TB, ready func() bool, argv ...string) *process {
	t.Helper()
	p := &process{t: t, argv: argv, ready: ready}
	t.Cleanup(func() {
		if p.cmd != nil {
			p.kill()
		}
		if t.Failed() {
			t.Logf("%s said:\n%s", filepath.Base(argv[0]), &p.said)
		}
	})
	p.start()
	return p
}

// begin starts the process without waiting for it to be ready.
func (p *process) begin() {
	p.t.Helper()
	p.cmd = exec.Command(p.argv[0], p.argv[1:]...)
	p.cmd.Stdout, p.cmd.Stderr = &p.said, &p.said
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.done = make(chan error, 1)
	go func(cmd *exec.Cmd, done chan error) { done <- cmd.Wait() }(p.cmd, p.done)
}

func (p *process) start() {
	p.t.Helper()
	p.begin()
	p.await()
}

// await waits until the process is ready.
func (p *process) await() {
	p.t.Helper()
	waitFor(p.t, filepath.Base(p.argv[0])+" is ready", func() bool {
		select {
		case err := <-p.done:
			p.cmd = nil
			p.t.Fatalf("%s ended: %v", filepath.Base(p.argv[0]), err)
		default:
		}
		return p.ready()
	})
}

// stop ends the process politely and expects it to call that a success.
func (p *process) stop() {
	p.t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		p.t.Fatal(err)
	}
	select {
	case err := <-p.done:
		p.cmd = nil
		if err != nil {
			p.t.Errorf("%s ended with %v", filepath.Base(p.argv[0]), err)
		}
	case <-time.After(patience):
		p.t.Errorf("%s did not stop within %v", filepath.Base(p.argv[0]), patience)
		p.kill()
	}
}

// kill ends the process at once, as a power cut would.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may have ended by itself, which Wait tells
	<-p.done
	p.cmd = nil
}

// answers says whether an address answers with success.
func answers(url string) func() bool {
	client := &http.Client{Timeout: 10 * time.Second}
	return func() bool {
		resp, err := client.Get(url)
		if err != nil {
			return false
		}
		defer resp.Body.Close()
		return resp.StatusCode/100 == 2
	}
}
