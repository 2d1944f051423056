package electrolysis

import "math"

// WaterExponent returns pKw, the negative logarithm of the ion product of water, at
// temperature kelvin. Fit of Harned and Owen, from memory: 4470.99/T − 6.0875 +
// 0.01706·T; 13.995 at 25 °C, 13.02 at 60 °C. NaN outside 273 to 373 K.
func WaterExponent(temperature float64) float64 {
	if !(temperature >= 273 && temperature <= 373.2) {
		return math.NaN()
	}
	return 4470.99/temperature - 6.0875 + 0.01706*temperature
}

// HydroxidePH returns the pH at which M(OH)n begins to fall out of a bath that
// holds concentration mol/m³ of the free ion: pKw + log10((ksp/c)^(1/n)), with c in
// mol/L. ksp is dimensionless on the mol/L scale and belongs to 25 °C; tables
// differ by up to a factor of ten in it, which is 1/n of a pH unit, and a
// fresh precipitate is the more soluble. Basic salts may fall out about half a
// unit earlier, and ammonia or other complexing ions delay it.
// NaN if ksp, valence or concentration is not positive.
func HydroxidePH(ksp float64, valence int, concentration, temperature float64) float64 {
	if !positive(ksp, float64(valence), concentration) {
		return math.NaN()
	}
	hydroxide := math.Log10(ksp*standardConcentration/concentration) / float64(valence)
	return WaterExponent(temperature) + hydroxide
}

// DissolvedAt returns the greatest concentration in mol/m³ of the free ion that
// stays dissolved over M(OH)n at pH; the inverse of HydroxidePH.
func DissolvedAt(ksp float64, valence int, pH, temperature float64) float64 {
	if !positive(ksp, float64(valence)) {
		return math.NaN()
	}
	hydroxide := pH - WaterExponent(temperature)
	return standardConcentration * ksp * math.Pow(10, -hydroxide*float64(valence))
}
