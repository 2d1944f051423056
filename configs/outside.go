package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"

	"nightcell/alerts/routes"
)

// secret reads name_file or name_env. The bare name is refused, because the
// configuration is shown, copied and kept with every run.
func (t *table) secret(name string) routes.Secret {
	if t.has(name) {
		t.find(name)
		t.bad(name, "a secret does not belong in this file", fmt.Sprintf("write %s_file = \"path\" or %s_env = \"VARIABLE\"", name, name))
	}
	s := t.kept(name)
	if s.File != "" && s.Environment != "" {
		t.bad(name+"_env", name+"_file is written too", "keep one of the two")
	}
	return s
}

// kept reads name_file and name_env.
func (t *table) kept(name string) routes.Secret {
	s := routes.Secret{Environment: t.text(name+"_env", ""), File: t.file(t.text(name+"_file", ""))}
	if s.File != "" {
		t.doc.secrets = append(t.doc.secrets, secretFile{s.File, t.key(name + "_file"), func() int { return t.lineOf(name + "_file") }})
	}
	return s
}

// address reads url, url_file or url_env.
func (t *table) address(example string, schemes ...string) routes.Secret {
	written, s := t.text("url", ""), t.kept("url")
	given := 0
	for _, k := range [...]string{"url", "url_file", "url_env"} {
		if t.has(k) {
			given++
		}
	}
	switch {
	case given != 1:
		t.bad("url", "give one of url, url_file or url_env", fmt.Sprintf("such as url = %q", example))
	case written != "":
		t.checkURL(written, example, schemes...)
		s = routes.NewSecret(written)
	}
	return s
}

// checkURL refuses what is no URL of the schemes, or carries a password.
func (t *table) checkURL(s, example string, schemes ...string) {
	switch u, err := url.Parse(s); {
	case err == nil && u.User != nil:
		t.bad("url", "the address holds a user name or password", "put the whole address into a file and write url_file = \"path\"")
	case err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme):
		t.bad("url", fmt.Sprintf("'%s' is not a usable address", s), fmt.Sprintf("write it as in url = %q", example))
	}
}

// secretFile is a file that holds a secret, and where it is named.
type secretFile struct {
	path, key string
	line      func() int
}

// keyFile is the private key of a web configuration, as the exporter toolkit's file names it.
var keyFile = regexp.MustCompile(`(?m)^[ \t]*key_file:[ \t]*["']?([^"'\s#]+)`)

// Exposed says of each file that holds a secret, the private key of the page among them, whether
// others than its owner and group can read it, or others than its owner can write to it. Files
// that cannot be looked at are left to Outside. Windows keeps its permissions elsewhere: nothing is said there.
func (c *Config) Exposed() []Mistake {
	if runtime.GOOS == "windows" {
		return nil
	}
	files := c.secrets[:len(c.secrets):len(c.secrets)]
	if web := c.Page.WebConfig; web != "" {
		text, _ := readBounded(web) // Outside tells why it cannot be read
		for _, m := range keyFile.FindAllSubmatch(text, -1) {
			path := string(m[1])
			if !filepath.IsAbs(path) {
				path = filepath.Join(filepath.Dir(web), path)
			}
			files = append(files, secretFile{path, "page.web_config", func() int { return c.lines["page"] }})
		}
	}
	var found []Mistake
	for _, s := range files {
		info, err := os.Stat(s.path)
		if err != nil || info.Mode().Perm()&0o026 == 0 {
			continue
		}
		who := "everybody on this machine may read"
		if info.Mode().Perm()&0o004 == 0 {
			who = "others than its owner may write to"
		}
		found = append(found, Mistake{File: c.file, Line: s.line(), Key: s.key,
			Wrong: fmt.Sprintf("%s the secret in %s (%s)", who, s.path, info.Mode().Perm()), Remedy: "chmod o-rwx,g-w " + s.path})
	}
	return found
}

// build reads the secrets of the route and builds it. Nothing is sent.
func (r *Route) build() (routes.Route, error) {
	s := r.Settings
	s.Templates = routes.LoadTemplates(r.Zone)
	var errs []error
	for _, secret := range [...]*routes.Secret{&s.URL, &s.Password, &s.Key, &s.Authorization} {
		var err error
		*secret, err = secret.Read()
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	switch r.Kind {
	case webhook:
		return routes.NewWebhook(s)
	case command:
		return routes.NewCommand(s)
	case email:
		return routes.NewEmail(s)
	case mqtt:
		return routes.NewMQTT(s)
	}
	return routes.NewAlertmanager(s) // Parse lets no other through
}

// Ways builds every route. The error joins what is wrong with each.
func (c *Config) Ways() ([]routes.Way, error) {
	var ways []routes.Way
	var errs []error
	for i := range c.Routes {
		r := &c.Routes[i]
		route, err := r.build()
		if err != nil {
			errs = append(errs, fmt.Errorf("[route.%s]: %w", r.Name, err))
			continue
		}
		way := r.Way
		way.Route = route
		ways = append(ways, way)
	}
	return ways, errors.Join(errs...)
}

// Outside tries what the configuration names outside itself and can be tried
// without speaking to anybody: secrets, commands, files.
func (c *Config) Outside() Mistakes {
	var found Mistakes
	note := func(table string, err error) {
		for _, cause := range parts(err) {
			wrong := strings.TrimPrefix(cause.Error(), strings.Replace(table, ".", " ", 1)+": ") // the key says it already
			found = append(found, Mistake{File: c.file, Line: c.lines[table], Key: table, Wrong: wrong, Remedy: remedyOf(cause), cause: cause})
		}
	}
	for i := range c.Routes {
		_, err := c.Routes[i].build()
		note("route."+c.Routes[i].Name, err)
	}
	for _, p := range c.Pushes {
		for _, s := range [...]routes.Secret{p.URL, p.Password, p.Token} {
			_, err := s.Read()
			note("push."+p.Name, err)
		}
		note("push."+p.Name, readable(p.CAFile))
	}
	if h := c.Heartbeat; h != nil {
		_, err := h.URL.Read()
		note("heartbeat", err)
		note("heartbeat", readable(h.CAFile))
	}
	_, err := c.Page.Token.Read()
	note("page", err)
	note("page", readable(c.Page.WebConfig))
	return found
}

// parts takes joined errors apart; nil has none.
func parts(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []error
		for _, e := range joined.Unwrap() {
			all = append(all, parts(e)...)
		}
		return all
	}
	if err == nil {
		return nil
	}
	return []error{err}
}

// remedyOf is the way out of a cause, where there is a common one.
func remedyOf(err error) string {
	switch {
	case errors.Is(err, exec.ErrNotFound):
		return "install the program, or write its whole path"
	case errors.Is(err, fs.ErrNotExist):
		return "make that file, or name the one that is meant"
	case errors.Is(err, fs.ErrPermission):
		return "nightcell's own user must be allowed to use it"
	case strings.Contains(err.Error(), "environment variable"):
		return "set it where nightcell is started, such as by Environment= in its unit"
	}
	return ""
}

// readable opens a file and closes it again; no file at all is fine.
func readable(path string) error {
	if path == "" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return f.Close()
}
