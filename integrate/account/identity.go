package account

import (
	"math"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// EntryIdentity is the kind of entry that says what the deposit is, and its figures besides mass, volume and temperature: a piece
// dissolved in acid with its hydrogen caught over water, an assay of the metal, or a test in words.
const (
	EntryIdentity = "identity"
	GasVolume     = "gas_cubic_metres"
	GasPressure   = "pressure_pascals"
)

// Standard uncertainties of what is read by hand at a gas burette, for who states none. Common practice, no source.
const (
	gasVolumeDoubt   = 0.01 // relative
	gasPressureDoubt = 300  // Pa
	gasKelvinDoubt   = 1    // K
)

// Identity is a test of what the deposit is.
type Identity struct {
	At       int64
	Words    string
	Hydrogen matter.Figure // mol, dry
	// Share is how much of the piece is the metal, by its hydrogen or by assay; E_n holds it against 1.
	Share           matter.Figure
	NormalizedError float64
	Problem         string // why there is no share
}

// VapourPressure is that of water over a flat surface in Pa, from 273.15 to 647.096 K: IAPWS-IF97, region 4, equation 30.
func VapourPressure(kelvin float64) float64 {
	n := [...]float64{0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
		0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3}
	theta := kelvin + n[8]/(kelvin-n[9])
	a := theta*theta + n[0]*theta + n[1]
	b := n[2]*theta*theta + n[3]*theta + n[4]
	c := n[5]*theta*theta + n[6]*theta + n[7]
	return math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4) * 1e6
}

// GasOverWater returns the mol of dry gas in a volume (m³) caught over water at a temperature (K) and the pressure (Pa) inside, as
// an ideal gas less the vapour of water: n = (p − p_w)·V/(R·T). Water that holds salt or acid gives off less vapour, and what of the gas the water dissolves is not counted.
func GasOverWater(volume, kelvin, pressure matter.Figure) matter.Figure {
	vapour := VapourPressure(kelvin.Value)
	dry := pressure.Value - vapour
	n := dry * volume.Value / (matter.GasConstant * kelvin.Value)
	slope := (VapourPressure(kelvin.Value+0.5) - VapourPressure(kelvin.Value-0.5)) / dry
	relative := math.Hypot(volume.Relative(), math.Hypot(pressure.StandardUncertainty/dry, kelvin.StandardUncertainty*(1/kelvin.Value+slope)))
	return matter.Figure{Value: n, StandardUncertainty: math.Abs(n) * relative, Mark: matter.Weakest(volume.Mark, kelvin.Mark, pressure.Mark), Source: "ideal gas less the vapour of water (IAPWS-IF97)"}
}

// identify reads a test of identity.
func (b *book) identify(e Entry) Identity {
	id := Identity{At: e.At, Words: e.Words["result"], NormalizedError: math.NaN()}
	if id.Words == "" {
		id.Words = e.Text
	}
	n := e.Numbers
	volume, caught := n[GasVolume]
	ratio, assayed := n[bath.AssayRatio]
	switch {
	case assayed:
		id.Share = matter.Figure{Value: ratio, StandardUncertainty: doubt(n, bath.AssayRatio, ratio*bath.AssayDoubt), Mark: matter.Measured, Source: "assay of the deposit"}
	case !caught:
		return id
	case b.plan == nil:
		id.Problem = "no metal is given in the frozen configuration, so its hydrogen shows nothing"
		return id
	case !(n[bath.Mass] > 0 && n[bath.EnteredKelvin] > 0 && n[GasPressure] > VapourPressure(n[bath.EnteredKelvin])):
		id.Problem = "hydrogen over water needs the mass of the piece, the temperature, and a pressure above that of the vapour of water"
		return id
	default:
		id.Hydrogen = GasOverWater(measured(n, GasVolume, volume*gasVolumeDoubt), measured(n, bath.EnteredKelvin, gasKelvinDoubt), measured(n, GasPressure, gasPressureDoubt))
		perMole := electrolysis.Hydrogen.ElectronsPerMole() / float64(b.plan.Valence) * b.plan.Metal.Element.Weight.Value
		mass := measured(n, bath.Mass, n[bath.Mass]*bath.BalanceDoubt)
		share := id.Hydrogen.Value * perMole / mass.Value
		id.Share = matter.Figure{Value: share, StandardUncertainty: share * math.Hypot(id.Hydrogen.Relative(), mass.Relative()), Mark: matter.Measured, Source: "hydrogen over water"}
	}
	id.NormalizedError = NormalizedError(id.Share, matter.Figure{Value: 1})
	return id
}
