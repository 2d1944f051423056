package page

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"nightcell/daemon/runlog"
)

// Link names one alarm for one person with a telephone, and may acknowledge it once.
type Link struct {
	Cell, Run, Condition string
	Since                time.Time // of the alarm: a later one of the same condition is another
	Route                string    // that carried the link
	Person               string    // to whom; empty: to whoever reads that route
	Ends                 time.Time // to the second
	Nonce                string
}

// By is the name under which an acknowledgement by the link is logged.
func (l *Link) By() string {
	by := "link of route " + l.Route
	if l.Person != "" {
		by += " to " + l.Person
	}
	return by
}

// The files of the links in the data directory.
const (
	linkKeyFile  = "links.key"
	linkUsedFile = "links.used"
	linkKeyBytes = 32
)

// Links signs links, and remembers over restarts which were used. It is safe for concurrent use.
type Links struct {
	key  []byte
	path string // of the used ones

	mu   sync.Mutex
	used map[string]time.Time // nonces, until their link has expired
}

// OpenLinks takes the key in the data directory, or makes one, and what was used. Whoever reads the key can acknowledge, so
// one that others may read is refused.
func OpenLinks(data string) (*Links, error) {
	l := &Links{path: filepath.Join(data, linkUsedFile), used: map[string]time.Time{}}
	var err error
	if l.key, err = linkKey(filepath.Join(data, linkKeyFile)); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(l.path)
	if errors.Is(err, fs.ErrNotExist) {
		return l, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &l.used)
	}
	if err != nil {
		return nil, fmt.Errorf("which links were used: %w; remove %s and %s, and every link sent so far is refused", err, linkUsedFile, linkKeyFile)
	}
	return l, nil
}

// linkKey reads the key, made once with mode 0600.
func linkKey(path string) ([]byte, error) {
	key, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		key = make([]byte, linkKeyBytes)
		if _, err := rand.Read(key); err != nil {
			return nil, err
		}
		return key, runlog.WriteFileAtomic(runlog.Disk{}, path, key, 0o600)
	}
	info, err2 := os.Stat(path)
	if err := errors.Join(err, err2); err != nil {
		return nil, fmt.Errorf("the key of links: %w", err)
	}
	const anew = "or remove it: then a new one is made, and every link sent so far is refused"
	if info.Mode().Perm()&0o077 != 0 && runtime.GOOS != "windows" {
		return nil, fmt.Errorf("the key of links %s is open to others (%s); chmod 600 it if nobody has read it, %s", path, info.Mode().Perm(), anew)
	}
	if len(key) != linkKeyBytes {
		return nil, fmt.Errorf("the key of links %s has %d bytes instead of %d; put the whole one back, %s", path, len(key), linkKeyBytes, anew)
	}
	return key, nil
}

// linkLayout goes under the signature, so that nothing signed for another purpose or by another layout passes.
const linkLayout = "nightcell link 1\n"

// linkEncoding refuses what encodes the same bytes in another way.
var linkEncoding = base64.RawURLEncoding.Strict()

// Sign returns the link as it stands in a URL, with a fresh nonce.
func (l *Links) Sign(to Link) string {
	to.Nonce = rand.Text()
	text := to.text()
	return linkEncoding.EncodeToString([]byte(text)) + "." + linkEncoding.EncodeToString(l.mac(text))
}

// mac is the HMAC-SHA256 of a link's text (RFC 2104, FIPS 180-4).
func (l *Links) mac(text string) []byte {
	h := hmac.New(sha256.New, l.key)
	h.Write([]byte(linkLayout + text))
	return h.Sum(nil)
}

func (l *Link) text() string {
	number := func(n int64) string { return strconv.FormatInt(n, 36) }
	return strings.Join([]string{l.Cell, l.Run, l.Condition, number(l.Since.UnixNano()), l.Route, l.Person, number(l.Ends.Unix()), l.Nonce}, "\n")
}

// errForeign is the answer to a link that this nightcell did not make as it stands.
var errForeign = errors.New("this link was altered, cut short, or made by another nightcell")

// Read returns a link that this nightcell signed, expired or not.
func (l *Links) Read(token string) (Link, error) {
	body, sum, _ := strings.Cut(token, ".")
	text, err1 := linkEncoding.DecodeString(body)
	mac, err2 := linkEncoding.DecodeString(sum)
	if err1 != nil || err2 != nil || strings.ContainsAny(token, "\r\n") || !hmac.Equal(mac, l.mac(string(text))) { // the decoder skips line ends
		return Link{}, errForeign
	}
	parts := strings.Split(string(text), "\n")
	if len(parts) != 8 {
		return Link{}, errForeign
	}
	since, err1 := strconv.ParseInt(parts[3], 36, 64)
	ends, err2 := strconv.ParseInt(parts[6], 36, 64)
	link := Link{
		Cell: parts[0], Run: parts[1], Condition: parts[2], Since: time.Unix(0, since).UTC(), Route: parts[4], Person: parts[5],
		Ends: time.Unix(ends, 0).UTC(), Nonce: parts[7],
	}
	if err1 != nil || err2 != nil || link.text() != string(text) {
		return Link{}, errForeign
	}
	return link, nil
}

// wasUsed says whether a link has acknowledged.
func (l *Links) wasUsed(link Link) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	_, used := l.used[link.Nonce]
	return used
}

// use takes a link's one use, which is on the disk when it returns. ok is false if it was used before.
func (l *Links) use(link Link, now time.Time) (ok bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, used := l.used[link.Nonce]; used {
		return false, nil
	}
	maps.DeleteFunc(l.used, func(_ string, ends time.Time) bool { return now.After(ends) })
	l.used[link.Nonce] = link.Ends
	if err := l.save(); err != nil {
		delete(l.used, link.Nonce)
		return false, fmt.Errorf("the use of this link cannot be kept: %w", err)
	}
	return true, nil
}

// release gives the use of a link back where nothing came of it.
func (l *Links) release(link Link) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.used, link.Nonce)
	return l.save()
}

func (l *Links) save() error {
	text, err := json.Marshal(l.used)
	if err != nil {
		return err
	}
	return runlog.WriteFileAtomic(runlog.Disk{}, l.path, text, 0o600)
}
