package simulated

import (
	"fmt"
	"strconv"

	"nightcell/drivers/simulated/language"
)

// ShuntOhms is the shunt in the lead of channel 1 that a simulated multimeter reads.
const ShuntOhms = 0.01

// MultimeterIdentity is the invented identity of a simulated multimeter.
const MultimeterIdentity = "EXAMPLE,DM-6,SIM-0002,1.0"

// NewMultimeter is a multimeter with a scanner on the first cell of a supply: MEAS:VOLT:DC? (@1) is over the shunt, (@2) at the cell itself,
// MEAS:TEMP? in the bath. It errs by 0.01 % and 1 µV, 0.2 mV and 0.1 K.
func NewMultimeter(of *Instrument) (*Instrument, error) {
	i, err := New(Setup{Clock: of.setup.Clock, Now: of.now, Seed: of.setup.Seed + 1, Identity: MultimeterIdentity})
	if err != nil {
		return nil, err
	}
	shown := func(value, floor float64) string {
		return strconv.FormatFloat(value*1.0001+floor*(0.5+0.1*i.random.NormFloat64()), 'E', 6, 64)
	}
	i.listener = language.New(language.Options{
		Identity: func() string { return i.identity }, Reset: func() {}, Channels: 2, Selected: func() int { return 1 },
		Commands: []language.Command{
			{Pattern: "MEASure:VOLTage#[:DC]", Query: func(channel int) string {
				if t := of.Truth(1); channel == 2 {
					return shown(t.CellVolts, 2e-4)
				} else {
					return shown(ShuntOhms*t.Amperes, 1e-6)
				}
			}},
			{Pattern: "MEASure:TEMPerature", Query: func(int) string {
				return fmt.Sprintf("%.2f", of.Truth(1).Temperature-273.15+0.1*i.random.NormFloat64()/2)
			}},
		},
	})
	return i, nil
}
