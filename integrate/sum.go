package integrate

import "math"

// Sum is a compensated sum (Neumaier, ZAMM 54 (1974) 39): after any number of
// additions its value is off by about one rounding of the result plus a second
// order term, not by one rounding per addition. The zero Sum is zero. Both parts must be
// stored for a sum to continue bit for bit.
type Sum struct {
	Total        float64 // the running sum as rounded
	Compensation float64 // what the roundings lost
}

// Add adds x, which must be finite.
func (s *Sum) Add(x float64) {
	x = float64(x) // x may be a product: keeps it from being fused into the sum
	t := s.Total + x
	if math.Abs(s.Total) >= math.Abs(x) {
		s.Compensation += (s.Total - t) + x
	} else {
		s.Compensation += (x - t) + s.Total
	}
	s.Total = t
}

// Value returns the sum.
func (s Sum) Value() float64 { return s.Total + s.Compensation }
