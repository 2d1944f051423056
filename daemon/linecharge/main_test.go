package linecharge

import (
	"testing"

	"nightcell/daemon/housetest"
)

// TestMain keeps the ordinary run short: five streams in each part, and eight tests side
// by side because they mostly wait, unless the flags say otherwise.
func TestMain(m *testing.M) {
	housetest.Flags(map[string]string{"rapid.checks": "5", "test.parallel": "8"})
	m.Run()
}
