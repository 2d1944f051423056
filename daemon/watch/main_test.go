package watch

import (
	"testing"

	"nightcell/daemon/housetest"
)

// TestMain lets four tests run side by side because they mostly wait, unless the flags say otherwise.
func TestMain(m *testing.M) {
	housetest.Flags(map[string]string{"test.parallel": "4"})
	m.Run()
}
