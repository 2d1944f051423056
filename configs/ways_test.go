package configs_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
)

// withRoute is a whole configuration with the given tables in it.
const withRoute = `
data = "d"
[supply.bench]
port = "/dev/ttyUSB0"
[cell.zinc-1]
supply = "bench"
`

func TestEveryKindOfRouteIsBuilt(t *testing.T) {
	dir := t.TempDir()
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("hunter2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("NIGHTCELL_TEST_URL", "https://hook.example/hunter2")
	c, err := configs.Parse(filepath.Join(dir, "nightcell.toml"), []byte(withRoute+`
[route.hook]
kind = "webhook"
url_env = "NIGHTCELL_TEST_URL"
key_file = "secret" # beside the configuration
authorization_file = "secret"
[route.call]
kind = "command"
command = ["true"]
[route.mail]
kind = "email"
server = "mail.example"
user = "u"
password_file = "secret"
from = "a@lab.example"
to = ["b@lab.example"]
[route.broker]
kind = "mqtt"
url = "mqtt://broker.example"
[route.rota]
kind = "alertmanager"
url = "http://127.0.0.1:9093"
`))
	if err != nil {
		t.Fatal(err)
	}
	ways, err := c.Ways()
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"hook", "call", "mail", "broker", "rota"} {
		equal(t, "route", ways[i].Route.Name(), want)
		equal(t, "repeat", ways[i].Repeat, c.Routes[i].Repeat)
		equal(t, "pictures", ways[i].Pictures, want == "mail")
	}
	for _, shown := range []string{fmt.Sprintf("%+v", c), fmt.Sprintf("%#v", c), fmt.Sprintf("%+v", ways)} {
		if strings.Contains(shown, "hunter2") {
			t.Errorf("a secret is shown: %s", shown)
		}
	}
}

func TestRouteThatCannotBeBuilt(t *testing.T) {
	c, err := configs.Parse("nightcell.toml", []byte(withRoute+`
[route.hook]
kind = "webhook"
url_file = "no-such-file"
[route.call]
kind = "command"
command = ["no-such-program-anywhere"]
[route.mail]
kind = "email"
server = "mail.example"
user = "u"
password_file = "no-such-password"
from = "a@lab.example"
to = ["b@lab.example"]
[route.broker]
kind = "mqtt"
url = "mqtt://broker.example"
user = "u"
password_env = "NIGHTCELL_TEST_UNSET"
`))
	if err != nil {
		t.Fatal(err)
	}
	ways, err := c.Ways()
	if err == nil || len(ways) != 0 {
		t.Fatalf("%d routes were built: %v", len(ways), err)
	}
	for _, want := range []string{"[route.hook]", "no-such-file", "[route.call]", "no-such-program-anywhere", "[route.mail]", "no-such-password", "[route.broker]", "NIGHTCELL_TEST_UNSET"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not named in: %v", want, err)
		}
	}
}

// What lies outside the file is tried without speaking to anybody.
func TestOutside(t *testing.T) {
	dir := t.TempDir()
	text := withRoute + `
[page]
web_config = "web.yml"
token_file = "token"
[route.hook]
kind = "webhook"
url_file = "hook-url"
[push.v1]
url = "http://127.0.0.1:8086"
database = "lab"
password_file = "password"
ca_file = "authorities.pem"
[push.v2]
url_file = "push-url"
form = "v2"
org = "lab"
bucket = "lab"
token_file = "push-token"
[heartbeat]
url_file = "heartbeat-url"
ca_file = "authorities.pem"
`
	c, err := configs.Parse(filepath.Join(dir, "nightcell.toml"), []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	files := []string{"web.yml", "token", "hook-url", "password", "authorities.pem", "push-url", "push-token", "heartbeat-url"}
	var all string
	for _, e := range c.Outside() {
		all += e.Error() + "\n"
		if e.Line == 0 || e.Remedy == "" || !errors.Is(e, fs.ErrNotExist) {
			t.Errorf("no line, remedy or cause: %+v", e)
		}
	}
	for _, name := range files {
		if !strings.Contains(all, name) {
			t.Errorf("%s is not missed: %s", name, all)
		}
	}
	for _, table := range []string{": page: ", ": route.hook: ", ": push.v1: ", ": push.v2: ", ": heartbeat: "} {
		if !strings.Contains(all, table) {
			t.Errorf("%s is not named: %s", table, all)
		}
	}
	for _, name := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("https://watch.example/x\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if errs := c.Outside(); len(errs) > 0 {
		t.Errorf("all is there: %v", errs)
	}
}
