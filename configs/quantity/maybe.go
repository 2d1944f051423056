package quantity

import (
	"encoding/json"
	"math"
	"strconv"
)

// Maybe is a number that may be unknown or infinite. JSON has neither: both are null there, and null is read as NaN.
type Maybe float64

// MarshalJSON writes the shortest decimal that reads back to the same bits.
func (m Maybe) MarshalJSON() ([]byte, error) { return AppendJSON(nil, float64(m)), nil }

// UnmarshalJSON reads null as NaN.
func (m *Maybe) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*m = Maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(data, (*float64)(m))
}

// AppendJSON appends v as Maybe is written; long columns of numbers are built with it.
func AppendJSON(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	if size := math.Abs(v); size == 0 || size >= 1e-6 && size < 1e21 { // where encoding/json writes no exponent either
		return strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	return strconv.AppendFloat(b, v, 'e', -1, 64)
}
