package trend

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
)

// Block is what is kept of the readings of one short stretch of time, usually a
// minute. Seven digits of each mean are enough and halve the memory.
type Block struct {
	At           float64 // mean time of its readings to the millisecond, s
	Volts        float32 // mean, V
	Amperes      float32 // mean, A
	NoiseVolts   float32 // Noise of the readings, V
	NoiseAmperes float32 // Noise of the readings, A
}

// Blocks is how many Blocks a History holds: two hours of minutes, and a little more.
const Blocks = 125

// History gathers readings into Blocks and keeps the last of them. Clone it for a copy that does not follow.
type History struct {
	Length         float64 // of a block, s; set before the first reading
	Open           sums
	Volts, Amperes Noise
	Blocks         []Block // oldest first
}

// sums are the readings of a block that is not closed yet.
type sums struct {
	From               float64 // time of the first reading, s
	At, Volts, Amperes float64 // means so far
	Readings           int
}

// Add takes one reading in, at time t in seconds, and tells whether that closed a
// block, which then is Last(0). A reading later than two block lengths after the open
// block began closes that block first, so a block never spans a gap.
func (h *History) Add(t, volts, amperes float64) (closed bool) {
	if h.Open.Readings > 0 && t-h.Open.From >= h.Length {
		closed = true
		h.close(t)
	}
	o := &h.Open
	if o.Readings == 0 {
		o.From = t
	}
	o.Readings++
	n := float64(o.Readings)
	o.At += (t - o.At) / n
	o.Volts += (volts - o.Volts) / n
	o.Amperes += (amperes - o.Amperes) / n
	h.Volts.Add(volts)
	h.Amperes.Add(amperes)
	return closed
}

func (h *History) close(t float64) {
	o := &h.Open
	h.Blocks = append(slices.Delete(h.Blocks, 0, max(0, len(h.Blocks)+1-Blocks)), Block{
		At: math.Round(o.At*1000) / 1000, Volts: float32(o.Volts), Amperes: float32(o.Amperes),
		NoiseVolts: float32(h.Volts.Sigma()), NoiseAmperes: float32(h.Amperes.Sigma()),
	})
	h.Volts.Next()
	h.Amperes.Next()
	if t-o.From >= 2*h.Length {
		h.Volts.Break()
		h.Amperes.Break()
	}
	h.Open = sums{}
}

// Shift moves the voltage of all blocks by d and begins a new block, because the
// voltage is about to move by d for a known reason.
func (h *History) Shift(d float64) {
	for i := range h.Blocks {
		h.Blocks[i].Volts += float32(d)
	}
	h.Open = sums{}
	h.Volts.Break()
	h.Amperes.Break()
}

// Clear forgets everything but the block length.
func (h *History) Clear() { *h = History{Length: h.Length, Blocks: h.Blocks[:0]} }

// Clone copies all that is known.
func (h History) Clone() History {
	h.Blocks = slices.Clone(h.Blocks)
	return h
}

// Last returns the closed block that is back blocks before the newest; there must be more than back.
func (h *History) Last(back int) *Block { return &h.Blocks[len(h.Blocks)-1-back] }

// Quantity picks one figure of a Block.
type Quantity func(*Block) float64

// Amperes picks the mean current.
func Amperes(b *Block) float64 { return float64(b.Amperes) }

// Fit returns the least-squares line of q over the closed blocks whose time lies in
// [from, to) seconds before the newest block, with x in seconds relative to the newest.
func (h *History) Fit(q Quantity, from, to float64) (l Line) {
	for i := range h.Blocks {
		b := h.Last(i)
		age := h.Last(0).At - b.At
		if age > from {
			break
		}
		if age >= to {
			l.Add(-age, q(b))
		}
	}
	return l
}

// UnmarshalJSON takes the five numbers of a Block.
func (b *Block) UnmarshalJSON(data []byte) error {
	return json.Unmarshal(data, &[...]any{&b.At, &b.Volts, &b.Amperes, &b.NoiseVolts, &b.NoiseAmperes})
}

// MarshalJSON writes them as an array, each the shortest decimal that reads back to the same bits.
func (b Block) MarshalJSON() ([]byte, error) {
	row := strconv.AppendFloat(append(make([]byte, 0, 64), '['), b.At, 'f', -1, 64)
	for _, x := range [...]float32{b.Volts, b.Amperes, b.NoiseVolts, b.NoiseAmperes} {
		row = strconv.AppendFloat(append(row, ','), float64(x), 'g', -1, 32)
	}
	return append(row, ']'), nil
}
