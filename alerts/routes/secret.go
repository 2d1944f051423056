package routes

import (
	"errors"
	"fmt"
	"os"
	"strings"
)

const redacted = "(secret)"

// Secret is a value that no log, error, page or dump may show: a password, a
// key, an address with a token in it. Only Reveal gives it away. One that is kept elsewhere says where, until Read. The zero Secret is none.
type Secret struct {
	File, Environment string // the path of a file, or the name of a variable
	value             string
}

// NewSecret hides value.
func NewSecret(value string) Secret { return Secret{value: value} }

// Read fetches what is kept elsewhere: in a regular file of at most 64 KiB, of which the line feed at its end is dropped, or in a
// variable. Errors never quote it.
func (s Secret) Read() (Secret, error) {
	if s.Environment != "" {
		if s.value = os.Getenv(s.Environment); s.value == "" {
			return s, fmt.Errorf("read secret: environment variable %s is not set", s.Environment)
		}
	}
	if s.File == "" {
		return NewSecret(s.value), nil
	}
	info, err := os.Stat(s.File)
	if err != nil {
		return s, fmt.Errorf("read secret: %w", err)
	}
	if !info.Mode().IsRegular() || info.Size() > 64<<10 {
		return s, fmt.Errorf("read secret: %s is not a small regular file", s.File)
	}
	data, err := os.ReadFile(s.File)
	if err != nil {
		return s, fmt.Errorf("read secret: %w", err)
	}
	if s.value = strings.TrimRight(string(data), "\r\n"); s.value == "" {
		return s, fmt.Errorf("read secret: %s is empty", s.File)
	}
	return NewSecret(s.value), nil
}

// Reveal returns the value, for the one place that needs it.
func (s Secret) Reveal() string { return s.value }

// IsZero reports whether there is no secret.
func (s Secret) IsZero() bool { return s == Secret{} }

// Format never shows the value, whatever the verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = f.Write([]byte(redacted)) }

// MarshalText never shows the value, in JSON neither.
func (s Secret) MarshalText() ([]byte, error) { return []byte(redacted), nil }

// hide returns err with the secrets' values replaced in its text: libraries like
// to print the address they failed to reach.
func hide(err error, secrets ...Secret) error {
	if err == nil {
		return nil
	}
	text := err.Error()
	for _, s := range secrets {
		if s.value != "" {
			text = strings.ReplaceAll(text, s.value, redacted)
		}
	}
	if text == err.Error() {
		return err
	}
	return &hidden{text, err}
}

// hidden answers errors.Is and errors.As for the error it replaces, but does not
// unwrap to it, so that nobody prints it by going down the chain.
type hidden struct {
	text  string
	cause error
}

func (h *hidden) Error() string        { return h.text }
func (h *hidden) Is(target error) bool { return errors.Is(h.cause, target) }
func (h *hidden) As(target any) bool   { return errors.As(h.cause, target) }
