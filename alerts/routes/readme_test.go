package routes_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/alerts/routes"
)

// TestReadmeVerifiesASignature runs the line that README gives to receivers, with an HMAC of somebody else's.
func TestReadmeVerifiesASignature(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var line string
	for l := range strings.Lines(string(readme)) {
		if strings.Contains(l, "-hmac") {
			line = strings.TrimSpace(l)
		}
	}
	if line == "" || !strings.Contains(string(readme), routes.SignatureHeader) || !strings.Contains(string(readme), routes.SignedAtHeader) {
		t.Fatal("README does not say how a webhook is signed")
	}
	if _, err := exec.LookPath("openssl"); err != nil && os.Getenv("NIGHTCELL_REQUIRE_REAL") == "" {
		t.Skip("openssl is not installed")
	}
	const key, at, body = "the shared key", "2026-03-01T22:15:00Z", "{\"id\":\"zinc-1-7\",\n \"text\":\"3 A\"}"
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "body"), []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.CommandContext(t.Context(), "sh", "-c", line)
	c.Dir, c.Env = dir, append(os.Environ(), "KEY="+key, "SIGNED_AT="+at)
	out, err := c.Output()
	if want := routes.Sign(routes.NewSecret(key), at, []byte(body)); err != nil || strings.TrimSpace(string(out)) != want {
		t.Errorf("%s gives %q, %v; want %s", line, out, err, want)
	}
}
