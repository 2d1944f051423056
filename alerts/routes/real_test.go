package routes

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
)

// program finds a real server to test against. Without it the test is skipped,
// unless NIGHTCELL_REQUIRE_REAL=1 says that it must be there.
func program(t *testing.T, name string) string {
	t.Helper()
	for _, dir := range append(filepath.SplitList(os.Getenv("PATH")), "/usr/sbin", "/usr/local/sbin") {
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

// realServer is a server that runs as a process of its own and can be stopped and started.
type realServer struct {
	t    *testing.T
	argv []string
	port int

	mu  sync.Mutex
	cmd *exec.Cmd
}

// start runs the server and waits until it listens.
func (r *realServer) start() {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.cmd = exec.Command(r.argv[0], r.argv[1:]...)
	var said tail
	r.cmd.Stdout, r.cmd.Stderr = &said, &said
	if err := r.cmd.Start(); err != nil {
		r.t.Fatal(err)
	}
	listens(r.t, r.argv[0], r.port)
}

// listens waits until a server does.
func listens(t *testing.T, name string, port int) {
	t.Helper()
	waitFor(t, name+" listens", func() bool {
		conn, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if err == nil {
			_ = conn.Close()
		}
		return err == nil
	})
}

// stop kills the server, as a power cut would.
func (r *realServer) stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.cmd != nil {
		_ = r.cmd.Process.Kill()
		_ = r.cmd.Wait() // says that it was killed
		r.cmd = nil
	}
}

func runReal(t *testing.T, port int, argv ...string) *realServer {
	t.Helper()
	r := &realServer{t: t, argv: argv, port: port}
	r.start()
	t.Cleanup(r.stop)
	return r
}
