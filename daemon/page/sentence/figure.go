package sentence

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"nightcell/configs/quantity"
)

// Unknown stands for a figure that is not known.
const Unknown = "–"

// Measured writes a value with its expanded uncertainty.
func Measured(value, expanded float64) string {
	if !known(value) {
		return Unknown
	}
	if !known(expanded) {
		expanded = 0
	}
	return typeset(quantity.WithDoubt(value, expanded))
}

// Figure writes a number with a number of significant digits.
func Figure(x float64, digits int) string {
	if !known(x) {
		return Unknown
	}
	return typeset(quantity.Significant(x, digits))
}

// Decimals writes a number with a number of decimals.
func Decimals(x float64, decimals int) string {
	if !known(x) {
		return Unknown
	}
	if x == 0 {
		x = 0 // not minus zero
	}
	return typeset(strconv.FormatFloat(x, 'f', decimals, 64))
}

// typeset uses a real minus sign, which does not break from its number.
func typeset(figure string) string { return strings.ReplaceAll(figure, "-", "−") }

func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Span writes an age or a time left at a glance, in its one or two largest units and as wide a moment later: static/live.js lets it run on.
// A length that somebody has set is written whole, by quantity.Duration.
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
