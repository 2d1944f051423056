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
// mol/L and n the hydroxides per ion. ksp is dimensionless on the mol/L scale and belongs to 25 °C; tables
// differ by up to a factor of ten in it, which is 1/n of a pH unit, and a
// fresh precipitate is the more soluble. Basic salts may fall out about half a
// unit earlier, and ammonia or other complexing ions delay it.
// NaN if ksp, hydroxides or concentration is not positive.
func HydroxidePH(ksp float64, hydroxides float64, concentration, temperature float64) float64 {
	if !positive(ksp, hydroxides, concentration) {
		return math.NaN()
	}
	exponent := math.Log10(ksp*standardConcentration/concentration) / hydroxides
	return WaterExponent(temperature) + exponent
}

// DissolvedAt returns the greatest concentration in mol/m³ of the free ion that
// stays dissolved over M(OH)n at pH; the inverse of HydroxidePH.
func DissolvedAt(ksp float64, hydroxides float64, pH, temperature float64) float64 {
	if !positive(ksp, hydroxides) {
		return math.NaN()
	}
	exponent := pH - WaterExponent(temperature)
	return standardConcentration * ksp * math.Pow(10, -exponent*hydroxides)
}
