package integrate

import (
	"math"
	"time"
)

// Sampling tells what the finite number of samples costs, by comparing the
// trapezoid over two steps h with the one over a single step 2h.
type Sampling struct {
	// A pair of steps is open when its first step has been seen. Pairs overlap, so that each reading is the middle of one and counts with
	// the length of both its steps; by EarlierDoubts they do not.
	Open    bool
	First   time.Duration // length of that step
	Amperes float64       // at its beginning
	Middle  float64       // A, at its end

	Curvature Sum     // C, Σ (trapezoid with h − trapezoid with 2h) over closed pairs
	Scatter   float64 // C², Σ of the squares of the same
}

// judgeSampling takes one observed step that ends at amperes.
func (st *Accumulated) judgeSampling(h time.Duration, amperes float64, apart bool) {
	p := &st.Sampling
	if !p.Open {
		p.Open, p.First, p.Amperes, p.Middle = true, h, st.LastAmperes, amperes
		return
	}
	d := (float64(seconds(p.First)*(p.Middle-amperes)) + float64(seconds(h)*(p.Middle-p.Amperes))) / 2
	if apart {
		p.Open = false
		p.Curvature.Add(d)
		p.Scatter += float64(d * d)
		return
	}
	p.Curvature.Add(d / 2) // every step is in two pairs
	p.Scatter += float64(d*d) / 2
	p.First, p.Amperes, p.Middle = h, p.Middle, amperes
}

// standardUncertainty returns what sampling adds to the charge, in C.
//
// A smooth current bends the trapezoid by an error that grows with h², so that the
// finer result is off by about a third of the difference (Richardson), always to the
// same side: the differences are added with their signs. A noisy current makes the
// differences a fresh draw each time. For equal steps h and standard deviation s, the
// difference of a pair has the variance 1.5·h²·s² and its charge 2·h²·s²,
// hence 4/3 of the sum of squares.
func (p *Sampling) standardUncertainty() float64 {
	bend := p.Curvature.Value() / 3
	return math.Sqrt(float64(bend*bend) + p.Scatter*4/3)
}

// Resolution tells what the last digit of the readback costs. The rounding of
// one reading is rectangular over a digit. Readings that differ are taken to round
// independently; readings in a row that are alike share one rounding, so their
// time adds up before it is squared.
type Resolution struct {
	Held    float64 // s, that the present reading has stood
	Squares float64 // s², Σ of the squares of the times for which earlier readings stood
}

// judgeResolution takes one observed step of h seconds that ends at amperes. Each
// reading of a trapezoid stands for half the step on either side.
func (st *Accumulated) judgeResolution(h, amperes float64) {
	r := &st.Resolution
	if amperes == st.LastAmperes {
		r.Held += h
		return
	}
	r.Held += h / 2
	r.Squares += float64(r.Held * r.Held)
	r.Held = h / 2
}

// standardUncertainty returns the charge's, in C, for a last digit in A.
func (r *Resolution) standardUncertainty(digit float64) float64 {
	return digit / math.Sqrt(12) * math.Sqrt(r.Squares+float64(r.Held*r.Held))
}

// breakOff ends whatever spans steps, because a gap follows.
func (st *Accumulated) breakOff() {
	st.Sampling.Open = false
	r := &st.Resolution
	r.Squares += float64(r.Held * r.Held)
	r.Held = 0
}
