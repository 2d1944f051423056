package trend

import (
	"encoding/json"
	"fmt"
	"math"
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

// History gathers readings into Blocks and keeps the last of them.
type History struct {
	Length  float64 // of a block, s; set before the first reading
	Ring    [Blocks]Block
	Count   int // blocks ever closed since Clear
	Open    sums
	Volts   Noise
	Amperes Noise
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
	h.Ring[h.Count%Blocks] = Block{
		At: math.Round(o.At*1000) / 1000, Volts: float32(o.Volts), Amperes: float32(o.Amperes),
		NoiseVolts: float32(h.Volts.Sigma()), NoiseAmperes: float32(h.Amperes.Sigma()),
	}
	h.Count++
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
	for i := range h.Len() {
		h.Last(i).Volts += float32(d)
	}
	h.Open = sums{}
	h.Volts.Break()
	h.Amperes.Break()
}

// Clear forgets everything but the block length.
func (h *History) Clear() { *h = History{Length: h.Length} }

// Len returns how many closed blocks are kept.
func (h *History) Len() int { return min(h.Count, Blocks) }

// Last returns the closed block that is back blocks before the newest; back must be below Len.
func (h *History) Last(back int) *Block { return &h.Ring[(h.Count-1-back)%Blocks] }

// Quantity picks one figure of a Block.
type Quantity func(*Block) float64

// Amperes picks the mean current.
func Amperes(b *Block) float64 { return float64(b.Amperes) }

// Fit returns the least-squares line of q over the closed blocks whose time lies in
// [from, to) seconds before the newest block, with x in seconds relative to the newest.
func (h *History) Fit(q Quantity, from, to float64) (l Line) {
	if h.Count == 0 {
		return l
	}
	newest := h.Last(0).At
	for i := range h.Len() {
		b := h.Last(i)
		age := newest - b.At
		if age > from {
			break
		}
		if age >= to {
			l.Add(-age, q(b))
		}
	}
	return l
}

// stored is the JSON form of a History: its closed blocks only, oldest first.
type stored struct {
	Length         float64
	Open           sums
	Volts, Amperes Noise
	Blocks         []row
}

// row is a Block that is an array of its five numbers in JSON, each the shortest decimal that reads back to the same bits.
type row Block

// UnmarshalJSON takes the five numbers.
func (r *row) UnmarshalJSON(data []byte) error {
	return json.Unmarshal(data, &[...]any{&r.At, &r.Volts, &r.Amperes, &r.NoiseVolts, &r.NoiseAmperes})
}

// MarshalJSON writes them.
func (r row) MarshalJSON() ([]byte, error) {
	b := strconv.AppendFloat(append(make([]byte, 0, 64), '['), r.At, 'f', -1, 64)
	for _, x := range [...]float32{r.Volts, r.Amperes, r.NoiseVolts, r.NoiseAmperes} {
		b = strconv.AppendFloat(append(b, ','), float64(x), 'g', -1, 32)
	}
	return append(b, ']'), nil
}

// MarshalJSON writes what the History knows.
func (h History) MarshalJSON() ([]byte, error) {
	s := stored{Length: h.Length, Open: h.Open, Volts: h.Volts, Amperes: h.Amperes, Blocks: make([]row, h.Len())}
	for i := range s.Blocks {
		s.Blocks[i] = row(*h.Last(h.Len() - 1 - i))
	}
	return json.Marshal(s)
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (h *History) UnmarshalJSON(data []byte) error {
	var s stored
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("history of blocks: %w", err)
	}
	if len(s.Blocks) > Blocks {
		return fmt.Errorf("history of blocks: %d blocks; at most %d are kept", len(s.Blocks), Blocks)
	}
	*h = History{Length: s.Length, Open: s.Open, Volts: s.Volts, Amperes: s.Amperes, Count: len(s.Blocks)}
	for i, r := range s.Blocks {
		h.Ring[i] = Block(r)
	}
	return nil
}
