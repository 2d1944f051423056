package routes

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"nightcell/alerts"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// Encryption says how the way to the mail server is protected.
type Encryption string

// The kinds of encryption. A password is never sent without one.
const (
	StartTLS    Encryption = "starttls" // RFC 3207, refused if the server does not offer it; commonly port 587
	ImplicitTLS Encryption = "tls"      // RFC 8314, from the first byte; commonly port 465
	Unencrypted Encryption = "none"     // for a relay in the same house, without a password; commonly port 25
)

// pictureID is the content identifier under which the HTML part shows the picture.
const pictureID = "last-hours.png"

// Email sends each notice as a letter with a text part, an HTML part and, when
// there is one, a picture. Every person gets a letter of their own, so that one
// wrong address stops no other.
type Email struct {
	settings Settings
	tls      *tls.Config
	// What was delivered of notices that some person has not got yet, so that a
	// retry for one does not tell the others again: notice, person, proof.
	partly map[string]map[string]Proof
}

// mostPartly bounds the notices of which a part was delivered; beyond it somebody gets a letter twice.
const mostPartly = 100

// encryptions are the common port of each, and what the library adds to it: for ImplicitTLS the dialler encrypts.
var encryptions = map[Encryption]struct {
	port   int
	policy mail.TLSPolicy
}{StartTLS: {587, mail.TLSMandatory}, ImplicitTLS: {465, mail.NoTLS}, Unencrypted: {25, mail.NoTLS}}

// NewEmail checks what of the settings lies outside of them, and that no password would travel in clear. Nothing is sent.
func NewEmail(s Settings) (*Email, error) {
	if s.Encryption == Unencrypted && !s.Password.IsZero() {
		return nil, fmt.Errorf("route %s: the password would be sent unencrypted; use starttls or tls, or leave the password out", s.Name)
	}
	s.Port = cmp.Or(s.Port, encryptions[s.Encryption].port)
	e := &Email{settings: s, partly: map[string]map[string]Proof{}}
	var err error
	if e.tls, err = TLSConfig(s.CAFile); err == nil {
		e.tls.ServerName = s.Server
		_, err = e.client(nil)
	}
	if err != nil {
		return nil, fmt.Errorf("route %s: %w", s.Name, err)
	}
	return e, nil
}

// Name implements Route.
func (e *Email) Name() string { return e.settings.Name }

// Deliver implements Route. The proof is the server's answer to the letter, with its queue number where it gives one.
func (e *Email) Deliver(ctx context.Context, n Notice) (Proof, error) {
	done := e.partly[n.ID]
	delete(e.partly, n.ID) // one that is complete may come again, and is meant to
	if done == nil {
		done = map[string]Proof{}
	}
	var left []string
	for _, person := range e.settings.To {
		if _, sent := done[person]; !sent {
			left = append(left, person)
		}
	}
	if err := e.sendTo(ctx, n, left, done); err != nil {
		if len(e.partly) >= mostPartly {
			clear(e.partly)
		}
		e.partly[n.ID] = done
		server := net.JoinHostPort(e.settings.Server, strconv.Itoa(e.settings.Port))
		return "", fmt.Errorf("mail by %s: %w", server, hide(err, e.settings.Password))
	}
	return done[e.settings.To[len(e.settings.To)-1]], nil
}

// sendTo writes to each person over one connection, and goes on past those that are refused. It adds to done who got the letter.
func (e *Email) sendTo(ctx context.Context, n Notice, people []string, done map[string]Proof) error {
	// The library watches ctx only while it dials, and leaves the connection open after some failures: it lives no longer than this.
	ctx, end := context.WithCancel(ctx)
	defer end()
	client, err := e.client(func(dialling context.Context, _, address string) (net.Conn, error) {
		if e.settings.Encryption == ImplicitTLS {
			return dial(dialling, ctx, e.tls, address)
		}
		return dial(dialling, ctx, nil, address)
	})
	if err != nil {
		return err
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if ctx.Err() != nil {
		return context.Cause(ctx) // the closed connection is only how it showed
	} else if err != nil {
		return err
	}
	var failed []error
	refused := true
	for _, person := range people {
		if n.link != nil {
			n.Link = n.link(person)
		}
		message, err := e.message(n, e.settings.Templates.Compose(n), person)
		if err != nil {
			return &Refused{err}
		}
		err = client.SendWithSMTPClient(session, message)
		if message.IsDelivered() { // some failures come after the server has taken it
			done[person] = Proof(oneLine(message.ServerResponse()))
			continue
		}
		var smtp *mail.SendError
		refused = refused && errors.As(err, &smtp) && smtp.ErrorCode() >= 500
		failed = append(failed, err)
	}
	_ = client.CloseWithSMTPClient(session) // what was sent is sent
	if ctx.Err() != nil && len(failed) > 0 {
		return context.Cause(ctx)
	}
	err = errors.Join(failed...)
	if err != nil && refused {
		return &Refused{err}
	}
	return err
}

func (e *Email) client(dial mail.DialContextFunc) (*mail.Client, error) {
	options := []mail.Option{
		mail.WithPort(e.settings.Port), mail.WithTLSPolicy(encryptions[e.settings.Encryption].policy), mail.WithTLSConfig(e.tls),
		mail.WithTimeout(30 * time.Second),
	}
	if e.settings.Encryption == ImplicitTLS {
		options = append(options, mail.WithSSL())
	}
	if dial != nil {
		options = append(options, mail.WithDialContextFunc(dial))
	}
	if !e.settings.Password.IsZero() {
		options = append(options,
			mail.WithOpportunisticSMTPAuth(mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthPlain, mail.SMTPAuthLogin),
			mail.WithUsername(e.settings.User), mail.WithPassword(e.settings.Password.Reveal()))
	}
	return mail.NewClient(e.settings.Server, options...)
}

// messageID is the same for the same notice whenever it is sent (RFC 5322, 3.6.4), so that
// a mailbox can tell a duplicate.
func (e *Email) messageID(id string) string {
	from := e.settings.From
	return fmt.Sprintf("%x@%s", sha256.Sum256([]byte(id)), from[strings.LastIndexByte(from, '@')+1:])
}

// message builds the letter. What follows from an alarm answers its first letter, so that a mailbox shows one thread.
func (e *Email) message(n Notice, letter Letter, to string) (*mail.Msg, error) {
	m := mail.NewMsg()
	if err := errors.Join(m.From(e.settings.From), m.To(to)); err != nil {
		return nil, err
	}
	m.Subject(letter.Subject)
	m.SetDate()
	m.SetMessageIDWithValue(e.messageID(n.ID))
	if n.Thread != "" {
		m.SetGenHeader(mail.HeaderInReplyTo, "<"+e.messageID(n.Thread)+">")
		m.SetGenHeader(mail.HeaderReferences, "<"+e.messageID(n.Thread)+">")
	}
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no holiday replies
	if n.Priority >= alerts.High && n.Kind == Alarm {
		m.SetImportance(mail.ImportanceHigh)
	}
	m.SetBodyString(mail.TypeTextPlain, letter.Text)
	m.AddAlternativeString(mail.TypeTextHTML, letter.HTML)
	if n.Picture != nil {
		if err := m.EmbedReader(pictureID, bytes.NewReader(n.Picture), mail.WithFileContentID(pictureID), mail.WithFileContentType("image/png")); err != nil {
			return nil, err
		}
	}
	return m, nil
}
