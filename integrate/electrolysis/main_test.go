package electrolysis

import (
	"testing"

	"nightcell/daemon/housetest"
)

func TestMain(m *testing.M) {
	housetest.Properties()
	m.Run()
}
