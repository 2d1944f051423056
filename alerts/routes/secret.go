package routes

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
)

const redacted = "(secret)"

// Secret is a value that no log, error, page or dump may show: a password, a
// key, an address with a token in it. Only Reveal gives it away.
type Secret struct{ value string }

// NewSecret hides value.
func NewSecret(value string) Secret { return Secret{value} }

// ReadSecret reads a secret from a file of at most 64 KiB and drops the line feed at its end.
func ReadSecret(path string) (Secret, error) {
	info, err := os.Stat(path)
	if err != nil {
		return Secret{}, fmt.Errorf("read secret: %w", err)
	}
	if !info.Mode().IsRegular() || info.Size() > 64<<10 {
		return Secret{}, fmt.Errorf("read secret: %s is not a small regular file", path)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return Secret{}, fmt.Errorf("read secret: %w", err)
	}
	value := strings.TrimRight(string(data), "\r\n")
	if value == "" {
		return Secret{}, fmt.Errorf("read secret: %s is empty", path)
	}
	return Secret{value}, nil
}

// SecretFromEnvironment reads a secret from the environment variable called name.
func SecretFromEnvironment(name string) (Secret, error) {
	value, found := os.LookupEnv(name)
	if !found || value == "" {
		return Secret{}, fmt.Errorf("read secret: environment variable %s is not set", name)
	}
	return Secret{value}, nil
}

// Reveal returns the value, for the one place that needs it.
func (s Secret) Reveal() string { return s.value }

// IsZero reports whether there is no secret.
func (s Secret) IsZero() bool { return s.value == "" }

// String never shows the value.
func (s Secret) String() string { return redacted }

// Format never shows the value, whatever the verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = f.Write([]byte(redacted)) }

// LogValue never shows the value.
func (s Secret) LogValue() slog.Value { return slog.StringValue(redacted) }

// MarshalText never shows the value, in JSON neither.
func (s Secret) MarshalText() ([]byte, error) { return []byte(redacted), nil }

// UnmarshalText accepts a value, so that a Secret can stand in a configuration.
func (s *Secret) UnmarshalText(text []byte) error {
	s.value = string(text)
	return nil
}

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
