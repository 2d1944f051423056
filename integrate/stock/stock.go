// Package stock says how much metal and liquid a bath holds after the runs it was used in: a Kalman filter over what was
// put in, taken out, measured and won, so that every figure comes with its doubt. Quantities are SI; the package has no
// clock, file or goroutine.
//
// Errors that several runs share are states of their own: the bias of the stated efficiency and of the mass transfer, and of
// what the anode takes. An assay or a weighing tells of them too, so that later runs are expected by what earlier ones gave.
package stock

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// The states.
const (
	metal    = iota // kg in the bath
	volume          // m3
	bias            // of the efficiency, in its standard uncertainties; shared by all runs
	transfer        // likewise of the mass transfer
	anode           // likewise of what the anode takes
	crossing        // likewise of what crosses the separator
	scatter         // of this run alone, in standard uncertainties
	began           // kg in the bath when this run began
	taken           // kg on the cathode by this run
	states
)

type vector [states]float64

// Scatter is how far two runs of one bath differ in efficiency, relative standard deviation, beside the doubt of the stated
// figure that they share. Common practice, no source.
const Scatter = 0.02

// Stock is the contents of one side of a bath. Use Of.
type Stock struct {
	x vector
	p [states]vector // covariance
	b Books
	m float64 // the most metal it ever held, kg
}

// Books is where the metal went, kg: Supplied + Unaccounted = Sampled + Discarded + Cathode + Anode + Crossed + Left.
type Books struct{ Supplied, Unaccounted, Sampled, Discarded, Cathode, Anode, Crossed, Left float64 }

// Of is what was dissolved. shared says that the metal was stated by its concentration, so that both have the error of the volume.
func Of(kilograms, cubicMetres matter.Figure, shared bool) *Stock {
	s := new(Stock)
	s.x[metal], s.x[volume] = kilograms.Value, cubicMetres.Value
	s.p[metal][metal], s.p[volume][volume] = square(kilograms.StandardUncertainty), square(cubicMetres.StandardUncertainty)
	if shared {
		both := kilograms.Value * min(cubicMetres.Relative(), kilograms.Relative()) * cubicMetres.StandardUncertainty
		s.p[metal][volume], s.p[volume][metal] = both, both
	}
	s.p[bias][bias], s.p[transfer][transfer], s.p[anode][anode], s.p[crossing][crossing] = 1, 1, 1, 1
	s.b.Supplied, s.m = kilograms.Value, kilograms.Value
	return s
}

func square(x float64) float64 { return x * x }

// Metal is what is left, kg; never below zero.
func (s *Stock) Metal() matter.Figure {
	return matter.Figure{Value: math.Max(s.x[metal], 0), StandardUncertainty: math.Sqrt(s.p[metal][metal]), Mark: matter.Given, Source: "ledger of the bath"}
}

// Volume is that of the liquid, m3.
func (s *Stock) Volume() matter.Figure {
	return matter.Figure{Value: s.x[volume], StandardUncertainty: math.Sqrt(s.p[volume][volume]), Mark: matter.Given, Source: "ledger of the bath"}
}

// Concentration is kg of metal per m3; zero without liquid.
func (s *Stock) Concentration() matter.Figure {
	if !(s.x[volume] > 0) {
		return matter.Figure{Mark: matter.Given}
	}
	h := s.perVolume()
	return matter.Figure{Value: math.Max(s.x[metal], 0) / s.x[volume], StandardUncertainty: math.Sqrt(s.variance(h)), Mark: matter.Given, Source: "ledger of the bath"}
}

// Most is the most metal that the bath ever held, kg.
func (s *Stock) Most() float64 { return s.m }

// Cathode is what the run that ended last brought onto its cathode, kg.
func (s *Stock) Cathode() matter.Figure {
	return matter.Figure{Value: s.x[taken], StandardUncertainty: math.Sqrt(s.p[taken][taken]), Mark: matter.Given, Source: "ledger of the bath"}
}

// Books returns where the metal went.
func (s *Stock) Books() Books {
	b := s.b
	b.Left = s.x[metal]
	return b
}

// perVolume is the change of the concentration with the states.
func (s *Stock) perVolume() (h vector) {
	h[metal], h[volume] = 1/s.x[volume], -s.x[metal]/square(s.x[volume])
	return h
}

// times is the covariance of the states with what h makes of them.
func (s *Stock) times(h vector) (c vector) {
	for i := range c {
		for j, x := range h {
			c[i] += s.p[i][j] * x
		}
	}
	return c
}

func (s *Stock) variance(h vector) (v float64) {
	for i, x := range s.times(h) {
		v += h[i] * x
	}
	return math.Max(v, 0)
}

// noise adds an error of its own that moves the states by g standard deviations.
func (s *Stock) noise(g vector) {
	for i := range g {
		for j := range g {
			s.p[i][j] += g[i] * g[j]
		}
	}
}

// shift adds to one state a share of the others, in the covariance alone: it was x, and is x + Σ by·others.
func (s *Stock) shift(to int, by vector) {
	c, v := s.times(by), s.variance(by)
	for i := range c {
		s.p[to][i] += c[i]
		s.p[i][to] += c[i]
	}
	s.p[to][to] += v
}

// observe takes a measurement of h·states that differs from what was expected, with its standard uncertainty.
func (s *Stock) observe(h vector, differs, u float64) {
	c := s.times(h)
	total := s.variance(h) + u*u
	if !(total > 0) {
		return // both are certain
	}
	before := s.x
	for i := range c {
		s.x[i] += c[i] * differs / total
	}
	for i := range c {
		for j := range c {
			s.p[i][j] -= c[i] * c[j] / total
		}
	}
	onCathode := s.x[taken] - before[taken]
	s.b.Cathode += onCathode
	s.b.Unaccounted += s.x[metal] - before[metal] + onCathode
	s.m = math.Max(s.m, s.x[metal])
}

// Add puts in metal and liquid, kg and m3; what is not known is none. A volume below zero is lost by evaporation.
func (s *Stock) Add(kilograms, cubicMetres matter.Figure) error {
	if s.x[volume]+cubicMetres.Value <= 0 {
		return fmt.Errorf("%.4g L of water: of %.4g L nothing would be left", cubicMetres.Value*1e3, s.x[volume]*1e3)
	}
	s.x[metal] += kilograms.Value
	s.x[volume] += cubicMetres.Value
	s.p[metal][metal] += square(kilograms.StandardUncertainty)
	s.p[volume][volume] += square(cubicMetres.StandardUncertainty)
	s.b.Supplied += kilograms.Value
	s.m = math.Max(s.m, s.x[metal])
	return nil
}

// Draw takes out liquid with the metal in it, m3: a sample, or what is discarded.
func (s *Stock) Draw(cubicMetres matter.Figure, discarded bool) error {
	v := cubicMetres.Value
	if !(v > 0) || v > s.x[volume]*(1+1e-9) {
		return fmt.Errorf("%.4g L cannot be taken out of the %.4g L there are", v*1e3, s.x[volume]*1e3)
	}
	share, c := math.Min(v/s.x[volume], 1), s.x[metal]/s.x[volume]
	s.shift(metal, vector{metal: -share, volume: c * share})
	s.noise(vector{metal: -c * cubicMetres.StandardUncertainty, volume: -cubicMetres.StandardUncertainty})
	kg := s.x[metal] * share
	s.x[metal] -= kg
	s.x[volume] = math.Max(s.x[volume]-v, 0)
	if discarded {
		s.b.Discarded += kg
	} else {
		s.b.Sampled += kg
	}
	return nil
}

// Measured takes a measured volume, m3.
func (s *Stock) Measured(cubicMetres matter.Figure) {
	s.observe(vector{volume: 1}, cubicMetres.Value-s.x[volume], cubicMetres.StandardUncertainty)
}

// Assay takes a found concentration, kg of metal per m3.
func (s *Stock) Assay(found matter.Figure) {
	v := s.x[volume]
	if !(v > 0) {
		return
	}
	variance, slope := s.variance(s.perVolume()), s.x[metal]/v
	if total := variance + square(found.StandardUncertainty); total > 0 { // it tells of metal less slope times volume; by the concentration that follows, it tells so in any order
		slope += (found.Value - slope) * variance / total
	}
	s.observe(vector{metal: 1, volume: -slope}, found.Value*v-s.x[metal], found.StandardUncertainty*v)
}

// Begin begins a run: what is told of the cathode is that of this run from now on.
func (s *Stock) Begin() {
	for _, i := range []int{scatter, began, taken} {
		s.x[i] = 0
		for j := range s.p {
			s.p[i][j], s.p[j][i] = 0, 0
		}
	}
	s.p[scatter][scatter] = 1
	s.x[began] = s.x[metal]
	s.shift(began, vector{metal: 1})
}

// Stretch is what a stretch of a run took, as its plan has it, kg, and how that changes with what the plan takes for true.
type Stretch struct {
	Won     float64 // onto the cathode
	Anode   float64 // by the anode; below zero it gave metal
	Crossed float64 // through the separator
	// ByMetal is kg won per kg in the bath at the beginning; the others are kg for one standard uncertainty of each.
	ByEfficiency, ByTransfer, ByAnode, ByCrossing, ByMetal float64
	Relative                                               float64 // standard uncertainty of this run alone, such as that of its charge; Scatter comes on top
	Planned                                                float64 // kg in the bath at the beginning of the run, as planned
}

// Take takes a stretch of the run that was begun last.
func (s *Stock) Take(t Stretch) {
	own := t.Won * math.Hypot(t.Relative, Scatter)
	onto := vector{bias: t.ByEfficiency, transfer: t.ByTransfer, scatter: own, began: t.ByMetal}
	won := t.Won + t.ByEfficiency*s.x[bias] + t.ByTransfer*s.x[transfer] + own*s.x[scatter] + t.ByMetal*(s.x[began]-t.Planned)
	lost, crossed := t.Anode+t.ByAnode*s.x[anode], t.Crossed+t.ByCrossing*s.x[crossing]
	out := onto
	for i := range out {
		out[i] = -out[i]
	}
	out[anode], out[crossing] = -t.ByAnode, -t.ByCrossing
	s.shift(metal, out)
	s.shift(taken, onto)
	s.x[metal] -= won + lost + crossed
	s.x[taken] += won
	s.b.Cathode += won
	s.b.Anode += lost
	s.b.Crossed += crossed
}

// Weighed takes the weighed deposit of the run that was begun last, kg.
func (s *Stock) Weighed(deposit matter.Figure) {
	s.observe(vector{taken: 1}, deposit.Value-s.x[taken], deposit.StandardUncertainty)
}
