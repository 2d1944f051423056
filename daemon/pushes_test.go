package daemon

import (
	"context"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/integrate"
)

// TestPushOverTLS sends to a server with a certificate of its own authority, with a
// password or a token from a file, in both forms; without the authority nothing is sent.
func TestPushOverTLS(t *testing.T) {
	for _, tt := range []struct {
		name, lines, path, header string
		trusted                   bool
	}{
		{"v1", "form = \"v1\"\ndatabase = \"lab\"\nuser = \"u\"\npassword_file = %q\nca_file = %q\n", "/write", "Basic dTpodXNo", true}, // u:hush, RFC 7617
		{"v2", "form = \"v2\"\norg = \"o\"\nbucket = \"b\"\ntoken_file = %q\nca_file = %q\n", "/api/v2/write", "Token hush", true},
		{"a stranger's certificate", "form = \"v2\"\norg = \"o\"\nbucket = \"b\"\ntoken_file = %q\n# %q\n", "", "", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			asked := make(chan *http.Request, 100)
			server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked <- r
				w.WriteHeader(http.StatusNoContent)
			}))
			defer server.Close()
			server.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
			dir := t.TempDir()
			secret, ca := filepath.Join(dir, "secret"), filepath.Join(dir, "ca.pem")
			certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})
			for path, text := range map[string][]byte{secret: []byte("hush\n"), ca: certificate} {
				if err := os.WriteFile(path, text, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			rest := fmt.Sprintf("[push.house]\nurl = %q\nevery = \"100 ms\"\n"+tt.lines, server.URL, secret, ca)
			cfg, err := watchtest.Zinc(dir, "", `recover = "68 %"`, rest)
			if err != nil {
				t.Fatal(err)
			}
			w, err := runlog.Create(dir, "zinc-1", time.Now(), nil, runlog.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer w.Close()
			if err := w.Begin(time.Now(), integrate.Settings{}, "run started"); err != nil {
				t.Fatal(err)
			}
			var said strings.Builder
			d := &Daemon{o: Options{Config: cfg, Log: slog.New(slog.NewTextHandler(&said, nil))}}
			p, err := d.newPush(cfg, &cfg.Pushes[0])
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			done := make(chan error, 1)
			go func() { done <- p.Run(ctx) }()
			if tt.trusted {
				r := <-asked
				if r.URL.Path != tt.path || r.Header.Get("Authorization") != tt.header {
					t.Errorf("asked %s with %q, want %s with %q", r.URL, r.Header.Get("Authorization"), tt.path, tt.header)
				}
			} else {
				tick := time.NewTicker(10 * time.Millisecond)
				defer tick.Stop()
				for h, _ := p.Health("zinc-1"); !strings.Contains(h.Problem, "certificate"); h, _ = p.Health("zinc-1") {
					<-tick.C
				}
				if len(asked) != 0 {
					t.Error("lines went to a stranger")
				}
			}
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
			if strings.Contains(said.String(), "hush") {
				t.Errorf("the secret is in the log: %s", &said)
			}
		})
	}
}

// TestPushMistakes says before anything runs which file is wrong.
func TestPushMistakes(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ lines, want string }{
		{"token_file = \"" + filepath.Join(dir, "none") + "\"", "none"},
		{"ca_file = \"" + filepath.Join(dir, "no-ca") + "\"", "no-ca"},
		{"ca_file = \"" + empty + "\"", "no PEM certificate"},
	} {
		rest := "[push.house]\nurl = \"https://db.example\"\nform = \"v2\"\norg = \"o\"\nbucket = \"b\"\n" + tt.lines + "\n"
		cfg, err := watchtest.Zinc(dir, "", `recover = "68 %"`, rest)
		if err != nil {
			t.Fatal(err)
		}
		_, err = (&Daemon{o: Options{Config: cfg}}).newPush(cfg, &cfg.Pushes[0])
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "push.house") {
			t.Errorf("%s: %v, want word of %s", tt.lines, err, tt.want)
		}
	}
}
