package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestAStartThatNoRestartMends: what the configuration names and cannot be used ends the watch with an exit code that the unit
// does not restart after; an address that is taken may come free.
func TestAStartThatNoRestartMends(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	const page = "[page]\nlisten = \"127.0.0.1:0\"\n"
	for _, c := range []struct {
		name, text, says string
		code             int
	}{
		{"no token", page + "token_file = \"none\"\n", "the operator token: ", 78},
		{"short token", page + "token_file = \"short\"\n", "the operator token has only 5 characters", 78},
		{"web configuration", page + "web_config = \"none\"\n", "web configuration", 78},
		{"key of a route", page + "[route.phone]\nkind = \"webhook\"\nurl = \"http://127.0.0.1:1/\"\nkey_file = \"none\"\n", "[route.phone]: read secret", 78},
		{"password of a push", page + "[push.lab]\nform = \"v2\"\nurl = \"http://127.0.0.1:1/\"\norg = \"o\"\nbucket = \"b\"\ntoken_env = \"NIGHTCELL_NEVER_SET\"\n", "[push.lab]: read secret", 78},
		{"heartbeat", page + "[heartbeat]\nurl_file = \"none\"\n", "heartbeat: read secret", 78},
		{"data below a file", "data = \"short/data\"\n" + page, "creating the data directory", 78},
		{"address", fmt.Sprintf("[page]\nlisten = %q\n", taken.Addr()), "free the address", 1},
		{"configuration", page + "tokens = 1\n", "page.tokens", 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			config := filepath.Join(dir, "nightcell.toml")
			text := c.text + "[supply.bench]\nport = \"none\"\n[cell.zinc-1]\nsupply = \"bench\"\n"
			if !strings.HasPrefix(text, "data") {
				text = "data = \"data\"\n" + text
			}
			for path, content := range map[string]string{config: text, filepath.Join(dir, "short"): "short"} {
				if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			var said bytes.Buffer
			code := run([]string{"watch", "--config", config}, &shell{in: strings.NewReader(""), out: &said, err: &said})
			if code != c.code || !strings.Contains(said.String(), c.says) {
				t.Errorf("exit code %d, want %d and %q\n%s", code, c.code, c.says, said.String())
			}
		})
	}
}
