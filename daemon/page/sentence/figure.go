package sentence

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Unknown stands for a figure that is not known.
const Unknown = "–"

// Measured writes a value with its expanded uncertainty: the uncertainty rounded up
// to one digit, to two when the first is 1, and the value to the same place.
func Measured(value, uncertainty float64) string {
	if !known(value) {
		return Unknown
	}
	if !known(uncertainty) || uncertainty <= 0 {
		return Figure(value, 4)
	}
	exponent := int(math.Floor(math.Log10(uncertainty)))
	if uncertainty/math.Pow(10, float64(exponent)) < 2 {
		exponent--
	}
	unit := math.Pow(10, float64(exponent))
	up := math.Ceil(uncertainty/unit-1e-9) * unit
	decimals := max(0, -exponent)
	return decimal(math.Round(value/unit)*unit, decimals) + " ± " + decimal(up, decimals)
}

// Figure writes a number with a number of significant digits and no exponent.
func Figure(x float64, digits int) string {
	if !known(x) {
		return Unknown
	}
	if x == 0 {
		return "0"
	}
	exponent := int(math.Floor(math.Log10(math.Abs(x))))
	if rounded := math.Pow(10, float64(exponent+1)); math.Abs(x) >= rounded-0.5*math.Pow(10, float64(exponent+1-digits)) {
		exponent++ // 9.996 with three digits is 10.0
	}
	return decimal(x, max(0, digits-1-exponent))
}

// Decimals writes a number with a number of decimals.
func Decimals(x float64, decimals int) string {
	if !known(x) {
		return Unknown
	}
	return decimal(x, decimals)
}

// decimal uses a real minus sign, which does not break from its number.
func decimal(x float64, decimals int) string {
	if x == 0 {
		x = 0 // not minus zero
	}
	return strings.Replace(strconv.FormatFloat(x, 'f', min(decimals, 9), 64), "-", "−", 1)
}

func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Span writes a duration in its one or two largest units.
func Span(d time.Duration) string {
	d = d.Round(time.Second)
	days, hours, minutes, seconds := int(d.Hours())/24, int(d.Hours())%24, int(d.Minutes())%60, int(d.Seconds())%60
	switch {
	case d < 0:
		return "0 s"
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case hours > 0:
		return fmt.Sprintf("%d h %02d min", hours, minutes)
	case minutes >= 10:
		return fmt.Sprintf("%d min", minutes)
	case minutes > 0:
		return fmt.Sprintf("%d min %02d s", minutes, seconds)
	}
	return fmt.Sprintf("%d s", seconds)
}
