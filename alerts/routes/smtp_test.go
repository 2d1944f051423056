package routes

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailHost is a small mail server of our own (RFC 5321, 3207, 4954), with the faults that tests ask for.
type mailHost struct {
	offersTLS, implicit bool
	password            string                     // asked for by AUTH PLAIN when set
	answer              func(verb string) string   // replaces the answer to a command, "" keeps it, "hang" never answers
	refuse              func(person string) string // answer to RCPT TO, "" accepts

	listener net.Listener
	tls      *tls.Config
	caFile   string
	quit     chan struct{}
	serving  sync.WaitGroup

	mu      sync.Mutex
	letters []letterTaken
	clear   []string // command lines that came unencrypted
}

// letterTaken is one letter that the server took.
type letterTaken struct {
	to        string
	data      string
	encrypted bool
	user      string
}

// serveMail starts the server for a test and stops it afterwards.
func serveMail(t *testing.T, h *mailHost) *mailHost {
	t.Helper()
	h.tls, h.caFile = selfSigned(t, "localhost")
	h.quit = make(chan struct{})
	var err error
	if h.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	h.serving.Go(func() {
		for {
			conn, err := h.listener.Accept()
			if err != nil {
				return
			}
			h.serving.Go(func() { h.serve(conn) })
		}
	})
	t.Cleanup(func() {
		close(h.quit)
		_ = h.listener.Close()
		h.serving.Wait()
	})
	return h
}

func (h *mailHost) port() int { return h.listener.Addr().(*net.TCPAddr).Port }

func (h *mailHost) taken() []letterTaken {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.letters
}

// serve speaks with one client.
func (h *mailHost) serve(conn net.Conn) {
	raw := conn
	over := make(chan struct{})
	defer close(over)
	h.serving.Go(func() { // a client that stays must not hold the test up
		select {
		case <-h.quit:
		case <-over:
		}
		_ = raw.Close()
	})
	encrypted := h.implicit
	if h.implicit {
		conn = tls.Server(conn, h.tls)
	}
	in := bufio.NewReader(conn)
	say := func(line string) { fmt.Fprintf(conn, "%s\r\n", line) }
	var person, user string
	say("220 localhost ready")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb, rest, _ := strings.Cut(line, " ")
		verb = strings.ToUpper(verb)
		if !encrypted {
			h.mu.Lock()
			h.clear = append(h.clear, line)
			h.mu.Unlock()
		}
		if h.answer != nil {
			if a := h.answer(verb); a == "hang" {
				<-h.quit
				return
			} else if a != "" {
				say(a)
				continue
			}
		}
		switch verb {
		case "EHLO":
			say("250-localhost")
			if h.offersTLS && !encrypted {
				say("250-STARTTLS")
			}
			if h.password != "" && encrypted {
				say("250-AUTH PLAIN")
			}
			say("250 8BITMIME")
		case "STARTTLS":
			say("220 go ahead")
			secure := tls.Server(conn, h.tls)
			if secure.Handshake() != nil {
				return
			}
			conn, in, encrypted = secure, bufio.NewReader(secure), true
		case "AUTH":
			_, code, _ := strings.Cut(rest, " ")
			plain, _ := base64.StdEncoding.DecodeString(code)
			parts := strings.Split(string(plain), "\x00") // RFC 4616
			if len(parts) != 3 || parts[2] != h.password {
				say("535 5.7.8 authentication failed for password " + string(plain))
				continue
			}
			user = parts[1]
			say("235 2.7.0 welcome")
		case "MAIL", "NOOP", "RSET":
			say("250 2.1.0 ok")
		case "RCPT":
			person = strings.Trim(strings.TrimPrefix(rest, "TO:"), "<>")
			if h.refuse != nil {
				if a := h.refuse(person); a != "" {
					say(a)
					continue
				}
			}
			say("250 2.1.5 ok")
		case "DATA":
			say("354 go ahead")
			var data strings.Builder
			for {
				l, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				data.WriteString(strings.TrimPrefix(l, "."))
			}
			h.mu.Lock()
			h.letters = append(h.letters, letterTaken{person, data.String(), encrypted, user})
			number := len(h.letters)
			h.mu.Unlock()
			say(fmt.Sprintf("250 2.0.0 queued as %d", number))
		case "QUIT":
			say("221 2.0.0 bye")
			return
		default:
			say("502 5.5.2 unknown")
		}
	}
}

// selfSigned makes a certificate for a name, and writes it as an authority into a file.
func selfSigned(t *testing.T, name string) (*tls.Config, string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	for file, data := range map[string][]byte{"ca.pem": certificate, "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})} {
		if err := os.WriteFile(filepath.Join(dir, file), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, filepath.Join(dir, "ca.pem")
}
