package trend

// Block is what is kept of the readings of one short stretch of time, usually a minute.
type Block struct {
	At           float64 // mean time of its readings, s
	Volts        float64 // mean, V
	Amperes      float64 // mean, A
	NoiseVolts   float64 // Noise of the readings, V
	NoiseAmperes float64 // Noise of the readings, A
	Readings     int
}

// Blocks is how many Blocks a History holds: four hours of minutes.
const Blocks = 240

// History gathers readings into Blocks and keeps the last of them.
type History struct {
	Length  float64 // of a block, s; set before the first reading
	Ring    [Blocks]Block
	Count   int // blocks ever closed since Clear
	Open    Block
	OpenAt  float64 // time of the first reading of the open block, s
	Volts   Noise
	Amperes Noise
}

// Add takes one reading in, at time t in seconds, and tells whether that closed a
// block, which then is Last(0). A reading later than two block lengths after the open
// block began closes that block first, so a block never spans a gap.
func (h *History) Add(t, volts, amperes float64) (closed bool) {
	if h.Open.Readings > 0 && t-h.OpenAt >= h.Length {
		closed = true
		h.close(t)
	}
	o := &h.Open
	if o.Readings == 0 {
		h.OpenAt = t
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
	h.Open.NoiseVolts, h.Open.NoiseAmperes = h.Volts.Sigma(), h.Amperes.Sigma()
	h.Ring[h.Count%Blocks] = h.Open
	h.Count++
	h.Open = Block{}
	h.Volts.Next()
	h.Amperes.Next()
	if t-h.OpenAt >= 2*h.Length {
		h.Volts.Break()
		h.Amperes.Break()
	}
}

// Clear forgets everything but the block length.
func (h *History) Clear() { *h = History{Length: h.Length} }

// Len returns how many closed blocks are kept.
func (h *History) Len() int { return min(h.Count, Blocks) }

// Last returns the closed block that is back blocks before the newest; back must be below Len.
func (h *History) Last(back int) *Block { return &h.Ring[(h.Count-1-back)%Blocks] }

// Quantity picks one figure of a Block.
type Quantity func(*Block) float64

// Volts picks the mean voltage.
func Volts(b *Block) float64 { return b.Volts }

// Amperes picks the mean current.
func Amperes(b *Block) float64 { return b.Amperes }

// Fit returns the least-squares line of q over the closed blocks whose time lies in
// [from, to) seconds before the newest block, with x in seconds relative to the newest.
func (h *History) Fit(q Quantity, from, to float64) (l Line) {
	for i := range h.Len() {
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
