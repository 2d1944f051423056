package configs

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
)

// secretFile is a file that holds a secret, and where it is named.
type secretFile struct {
	path, key string
	line      func() int
}

// keeps remembers that a key names a file with a secret.
func (t *table) keeps(name, path string) {
	if path != "" {
		t.doc.secrets = append(t.doc.secrets, secretFile{path, t.key(name), func() int { return t.lineOf(name) }})
	}
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
