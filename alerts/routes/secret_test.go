package routes

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSecretIsNeverPrinted(t *testing.T) {
	const value = "hunter-2"
	s := NewSecret(value)
	holder := struct {
		Secret  Secret
		Pointer *Secret
		Map     map[string]Secret
	}{s, &s, map[string]Secret{"Authorization": s}}
	var logged bytes.Buffer
	slog.New(slog.NewTextHandler(&logged, nil)).Info("x", "secret", s, "holder", holder)
	slog.New(slog.NewJSONHandler(&logged, nil)).Info("x", "secret", s, "holder", holder)
	data, err := json.Marshal(holder)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data) + logged.String()
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%T"} {
		text += fmt.Sprintf(verb, s) + fmt.Sprintf(verb, holder) + fmt.Sprintf(verb, []any{s, &s})
	}
	text += fmt.Sprint(s) + fmt.Errorf("%w: %v", errors.New("x"), s).Error()
	if strings.Contains(text, value) || strings.Contains(strings.ToLower(text), fmt.Sprintf("%x", value)) {
		t.Errorf("printed: %s", text)
	}
	if s.Reveal() != value || s.IsZero() || !(Secret{}).IsZero() {
		t.Error("the value is not kept")
	}
}

func TestSecretFromFileAndEnvironment(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	if s, err := (Secret{File: write("good", "pass word \r\n")}).Read(); err != nil || s.Reveal() != "pass word " {
		t.Errorf("%q, %v", s.Reveal(), err)
	}
	for _, path := range []string{write("empty", "\n"), write("large", strings.Repeat("x", 70<<10)), dir, filepath.Join(dir, "none")} {
		if _, err := (Secret{File: path}).Read(); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", path, err)
		}
	}
	t.Setenv("NIGHTCELL_TEST_SECRET", "value")
	if s, err := (Secret{Environment: "NIGHTCELL_TEST_SECRET"}).Read(); err != nil || s.Reveal() != "value" {
		t.Error(err)
	}
	if _, err := (Secret{Environment: "NIGHTCELL_TEST_NO_SECRET"}).Read(); err == nil || !strings.Contains(err.Error(), "NIGHTCELL_TEST_NO_SECRET") {
		t.Error(err)
	}
}

func TestHiddenErrorStillAnswers(t *testing.T) {
	cause := fmt.Errorf("dial pass-word: %w", os.ErrDeadlineExceeded)
	err := hide(cause, NewSecret("pass-word"), Secret{})
	if strings.Contains(fmt.Sprintf("%v %+v %#v", err, err, errors.Unwrap(err)), "pass-word") {
		t.Errorf("printed: %v", err)
	}
	if !errors.Is(err, os.ErrDeadlineExceeded) || hide(nil) != nil || hide(cause) != cause {
		t.Error("the cause is lost")
	}
}
