package routes

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"nightcell/alerts"
	"strings"
	"testing"
	"time"
)

func email(t *testing.T, h *mailHost, s Settings) *Email {
	t.Helper()
	s.Templates = cmp.Or(s.Templates, builtIn())
	s.Name, s.Server, s.Port, s.CAFile, s.From = "mail", "localhost", h.port(), h.caFile, "nightcell@lab.example"
	if s.To == nil {
		s.To = []string{"operator@lab.example"}
	}
	e, err := NewEmail(s)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// parts reads a letter: its header, and the parts of its body by media type.
func parts(t *testing.T, data string) (mail.Header, map[string][]byte) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	found := map[string][]byte{}
	var walk func(kind string, encoding string, body io.Reader)
	walk = func(kind, encoding string, body io.Reader) {
		media, params, err := mime.ParseMediaType(kind)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(media, "multipart/") {
			r := multipart.NewReader(body, params["boundary"])
			for {
				p, err := r.NextRawPart()
				if errors.Is(err, io.EOF) {
					return
				} else if err != nil {
					t.Fatal(err)
				}
				walk(p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p)
			}
		}
		if encoding == "quoted-printable" {
			body = quotedprintable.NewReader(body)
		}
		data, err := io.ReadAll(body)
		if err != nil {
			t.Fatal(err)
		}
		found[media] = data
	}
	walk(m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), m.Body)
	return m.Header, found
}

func TestEmailTravelsEncryptedWithThePicture(t *testing.T) {
	for name, host := range map[string]*mailHost{
		"starttls": {offersTLS: true, password: "pass word"}, "tls": {implicit: true, password: "pass word"},
	} {
		t.Run(name, func(t *testing.T) {
			h := serveMail(t, host)
			e := email(t, h, Settings{Encryption: Encryption(name), User: "nightcell", Password: NewSecret("pass word")})
			n := samples()[0]
			n.Picture = []byte("\x89PNG\r\n\x1a\n and so on")
			proof, err := e.Deliver(t.Context(), n)
			if err != nil || !strings.Contains(string(proof), "queued as 1") {
				t.Fatalf("%q, %v", proof, err)
			}
			got := h.taken()
			if len(got) != 1 || !got[0].encrypted || got[0].user != "nightcell" || got[0].to != "operator@lab.example" {
				t.Fatalf("taken: %+v", got)
			}
			header, body := parts(t, got[0].data)
			subject, err := new(mime.WordDecoder).DecodeHeader(header.Get("Subject"))
			if err != nil || subject != builtIn().Compose(n).Subject {
				t.Errorf("subject %q, %v", subject, err)
			}
			if header.Get("Auto-Submitted") != "auto-generated" || header.Get("Date") == "" || !strings.HasSuffix(header.Get("Message-Id"), "@lab.example>") {
				t.Errorf("header: %v", header)
			}
			if !strings.Contains(string(body["text/plain"]), "What to do first") || !strings.Contains(string(body["text/html"]), `src="cid:last-hours.png"`) {
				t.Errorf("parts: %q", body)
			}
			if !bytes.HasPrefix(decodeBase64(t, body["image/png"]), []byte("\x89PNG")) {
				t.Error("the picture is missing")
			}
		})
	}
}

// A server in the middle that hides STARTTLS, or shows a strange certificate, gets neither letter nor password.
func TestEmailNeverFallsBackToPlainText(t *testing.T) {
	hidden := serveMail(t, &mailHost{password: "pass-word"})
	if _, err := email(t, hidden, Settings{User: "u", Password: NewSecret("pass-word")}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err == nil || !strings.Contains(err.Error(), "STARTTLS") {
		t.Errorf("without STARTTLS: %v", err)
	}
	for _, line := range hidden.clear {
		if verb, _, _ := strings.Cut(line, " "); verb != "EHLO" && verb != "QUIT" {
			t.Errorf("%q travelled in clear", line)
		}
	}
	strange := serveMail(t, &mailHost{offersTLS: true})
	strange.caFile = "" // nobody vouches for it
	if _, err := email(t, strange, Settings{}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("an unknown certificate: %v", err)
	}
	if len(hidden.taken())+len(strange.taken()) != 0 {
		t.Error("a letter was delivered")
	}
	relay := serveMail(t, &mailHost{})
	if _, err := email(t, relay, Settings{Encryption: Unencrypted}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil {
		t.Errorf("a relay in the house: %v", err)
	}
}

func TestEmailWrongPassword(t *testing.T) {
	h := serveMail(t, &mailHost{offersTLS: true, password: "right"})
	_, err := email(t, h, Settings{User: "u", Password: NewSecret("wr0ng-one")}).Deliver(t.Context(), alarm("a", "contact", alerts.High))
	var refused *Refused
	if err == nil || errors.As(err, &refused) || !strings.Contains(err.Error(), "535") {
		t.Errorf("error: %v", err)
	}
	if strings.Contains(err.Error(), "wr0ng-one") { // the server quotes it
		t.Errorf("the password is in the error: %v", err)
	}
}

func TestEmailOneWrongAddressStopsNoOther(t *testing.T) {
	bad := "550 5.1.1 no such person"
	h := serveMail(t, &mailHost{offersTLS: true, refuse: func(person string) string {
		if person == "gone@lab.example" {
			return bad
		}
		return ""
	}})
	e := email(t, h, Settings{To: []string{"gone@lab.example", "ann@lab.example", "bob@lab.example"}})
	n := alarm("a", "contact", alerts.High)
	for range 3 {
		_, err := e.Deliver(t.Context(), n)
		var refused *Refused
		if !errors.As(err, &refused) || !strings.Contains(err.Error(), "no such person") {
			t.Fatalf("error: %v", err)
		}
	}
	if got := h.taken(); len(got) != 2 || got[0].to != "ann@lab.example" || got[1].to != "bob@lab.example" {
		t.Fatalf("taken: %+v", got)
	}
	bad = "450 4.2.1 try later"
	_, err := e.Deliver(t.Context(), n)
	var refused *Refused
	if err == nil || errors.As(err, &refused) {
		t.Errorf("a refusal for the moment: %v", err)
	}
	bad = ""
	if _, err := e.Deliver(t.Context(), n); err != nil || len(h.taken()) != 3 {
		t.Errorf("%v, taken %d", err, len(h.taken()))
	}
	first, _ := parts(t, h.taken()[0].data)
	last, _ := parts(t, h.taken()[2].data)
	if first.Get("Message-Id") != last.Get("Message-Id") {
		t.Error("the same notice has two message IDs")
	}
	if _, err := e.Deliver(t.Context(), n); err != nil || len(h.taken()) != 6 { // asked for again, it goes to all
		t.Errorf("%v, taken %d", err, len(h.taken()))
	}
}

func TestEmailServerThatLiesOrHangs(t *testing.T) {
	for _, verb := range []string{"EHLO", "STARTTLS", "MAIL", "RCPT", "DATA"} {
		for _, answer := range []string{"hang", "421 4.3.2 going down", "99 nonsense", ""} {
			if answer == "" {
				answer = strings.Repeat("9", 5000)
			}
			h := serveMail(t, &mailHost{offersTLS: true, answer: func(v string) string {
				if v == verb {
					return answer
				}
				return ""
			}})
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			began := time.Now()
			_, err := email(t, h, Settings{}).Deliver(ctx, alarm("a", "contact", alerts.High))
			cancel()
			if err == nil || time.Since(began) > time.Minute || len(err.Error()) > 20_000 {
				t.Errorf("%s answered by %.20q: %v after %v", verb, answer, err, time.Since(began))
			}
		}
	}
	silent, err := net.Listen("tcp", "127.0.0.1:0") // accepts, and never says a word
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	for _, encryption := range []Encryption{StartTLS, ImplicitTLS} {
		e, err := NewEmail(Settings{Name: "m", Server: "127.0.0.1", Port: silent.Addr().(*net.TCPAddr).Port, Encryption: encryption, From: "a@b.example", To: []string{"a@b.example"}, Templates: builtIn()})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := e.Deliver(ctx, alarm("a", "contact", alerts.High)); err == nil {
			t.Error("delivered to a server that is does not answer")
		}
	}
}

func TestEmailHeadersCannotBeInjected(t *testing.T) {
	h := serveMail(t, &mailHost{offersTLS: true})
	n := nasty()
	n.Picture = []byte("png")
	if _, err := email(t, h, Settings{}).Deliver(t.Context(), n); err != nil {
		t.Fatal(err)
	}
	got := h.taken()
	header, _ := parts(t, got[0].data)
	if len(got) != 1 || header.Get("Bcc") != "" || len(header["Subject"]) != 1 {
		t.Errorf("header: %v", header)
	}
}

func TestEmailSettingsThatCannotWork(t *testing.T) {
	good := Settings{Name: "m", Encryption: StartTLS, Server: "mail.example", From: "a@b.example", To: []string{"a@b.example"}}
	if _, err := NewEmail(good); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Settings){
		"clear password": func(s *Settings) { s.Encryption, s.Password = Unencrypted, NewSecret("p") },
		"port":           func(s *Settings) { s.Port = 70000 },
		"authorities":    func(s *Settings) { s.CAFile = "/no/such/file" },
	} {
		s := good
		change(&s)
		if _, err := NewEmail(s); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// TestEmailThreadsWhatFollowsFromAnAlarm: its reminders, the answer and its end reply to the first letter, over a restart too (RFC 5322, 3.6.4).
func TestEmailThreadsWhatFollowsFromAnAlarm(t *testing.T) {
	h := serveMail(t, &mailHost{})
	source, store := &journal{}, &shelf{}
	way := Way{Route: email(t, h, Settings{Encryption: Unencrypted}), Repeat: time.Hour, ReportAcknowledged: true}
	clock := &jumpy{}
	box := open(t, Options{Source: source, Store: store, Clock: clock}, way)
	source.add(alarm("a", "hard-short", alerts.Highest))
	flush(t, box)
	clock.shift.Store(int64(90 * time.Minute))
	flush(t, box) // a reminder
	stop(t, box)
	box = open(t, Options{Source: source, Store: store, Clock: clock}, way)
	source.add(alarm("b", "hard-short", alerts.Highest), closing("c", "hard-short", Acknowledged, alerts.Highest), closing("d", "hard-short", Cleared, alerts.Highest), alarm("e", "hard-short", alerts.Highest))
	flush(t, box)
	got := h.taken()
	if len(got) != 6 {
		t.Fatalf("%d letters", len(got))
	}
	first, ids := "", map[string]bool{}
	for i, letter := range got {
		header, _ := parts(t, letter.data)
		id := header.Get("Message-Id")
		if ids[id] || id == "" {
			t.Errorf("letter %d is called %s like another", i, id)
		}
		ids[id] = true
		want := first
		if i == 0 {
			first = id
		}
		if i == len(got)-1 {
			want = "" // another alarm
		}
		if header.Get("In-Reply-To") != want || header.Get("References") != want {
			t.Errorf("letter %d replies to %q, refers to %q, want %q", i, header.Get("In-Reply-To"), header.Get("References"), want)
		}
	}
}
