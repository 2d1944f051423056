package configs

import (
	"fmt"
	"net/url"

	"nightcell/alerts/routes"
)

// Secret says where a password, a token or an address with a token in it is kept.
// The zero Secret is none.
type Secret struct {
	File        string
	Environment string // name of a variable
}

// isZero reports whether there is no secret.
func (s Secret) isZero() bool { return s == Secret{} }

// Read fetches the secret; the zero Secret gives the empty one. Errors never quote it.
func (s Secret) Read() (routes.Secret, error) {
	switch {
	case s.File != "":
		return routes.ReadSecret(s.File)
	case s.Environment != "":
		return routes.SecretFromEnvironment(s.Environment)
	}
	return routes.Secret{}, nil
}

// secret reads name_file or name_env. The bare name is refused, because the
// configuration is shown, copied and kept with every run.
func (t *table) secret(name string) Secret {
	if t.has(name) {
		t.find(name)
		t.bad(name, "a secret does not belong in this file", fmt.Sprintf("write %s_file = \"path\" or %s_env = \"VARIABLE\"", name, name))
	}
	s := Secret{Environment: t.text(name+"_env", "")}
	s.File = t.file(t.text(name+"_file", ""))
	t.keeps(name+"_file", s.File)
	if s.File != "" && s.Environment != "" {
		t.bad(name+"_env", name+"_file is written too", "keep one of the two")
	}
	return s
}

// Address is a URL, written in the file or kept as a secret.
type Address struct {
	URL    string
	Secret Secret
}

// Read returns the URL, secret or not.
func (a Address) Read() (routes.Secret, error) {
	if !a.Secret.isZero() {
		return a.Secret.Read()
	}
	return routes.NewSecret(a.URL), nil
}

// address reads url, url_file or url_env.
func (t *table) address(example string, schemes ...string) Address {
	a := Address{URL: t.text("url", ""), Secret: Secret{File: t.file(t.text("url_file", "")), Environment: t.text("url_env", "")}}
	t.keeps("url_file", a.Secret.File)
	given := 0
	for _, k := range [...]string{"url", "url_file", "url_env"} {
		if t.has(k) {
			given++
		}
	}
	if given != 1 {
		t.bad("url", fmt.Sprintf("%d of url, url_file and url_env are written", given), fmt.Sprintf("write one, such as url = %q", example))
		return a
	}
	if a.URL != "" {
		t.checkURL(a.URL, example, schemes...)
	}
	return a
}

// checkURL refuses what is no URL of the schemes, or carries a password.
func (t *table) checkURL(s, example string, schemes ...string) {
	u, err := url.Parse(s)
	if err == nil && u.User != nil {
		t.bad("url", "the address holds a user name or password", "put the whole address into a file and write url_file = \"path\"")
		return
	}
	for _, scheme := range schemes {
		if err == nil && u.Scheme == scheme && u.Host != "" {
			return
		}
	}
	t.bad("url", fmt.Sprintf("'%s' is no address that can be used here", s), fmt.Sprintf("write it as in url = %q", example))
}
