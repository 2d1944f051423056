package electrolysis

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// TestNoCellVoltageAtOrBelowZero: the mean of a run with crossed or open sense leads is no voltage to reckon with, with a soluble anode either.
func TestNoCellVoltageAtOrBelowZero(t *testing.T) {
	for _, soluble := range []bool{false, true} {
		for _, volts := range []float64{0, -1, math.NaN(), math.Inf(1)} {
			c := zincCell(t)
			c.SolubleAnode, c.CellVolts = soluble, matter.Figure{Value: volts, Mark: matter.Measured}
			if _, err := Assess(c); err == nil || !strings.Contains(err.Error(), "cell voltage is") || !strings.Contains(err.Error(), "must be above zero") {
				t.Errorf("%g V, soluble %t: %v", volts, soluble, err)
			}
		}
	}
}
