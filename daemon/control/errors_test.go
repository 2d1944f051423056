package control

import (
	"errors"
	"testing"
)

// TestAWrappedCauseReadsAsWords: what wraps a cause says it in words, and keeps it.
func TestAWrappedCauseReadsAsWords(t *testing.T) {
	cause := errors.New("the configuration does not permit it")
	for name, as := range map[string]func(string, ...any) error{"Unknown": Unknown, "Refuse": Refuse, "BadRequest": BadRequest} {
		err := as(`a current step on cell %s: %w; add "step" to may`, "zinc-1", cause)
		const want = `a current step on cell zinc-1: the configuration does not permit it; add "step" to may`
		if err.Error() != want || !errors.Is(err, cause) {
			t.Errorf("%s says %q, and keeps its cause: %v", name, err, errors.Is(err, cause))
		}
	}
}
