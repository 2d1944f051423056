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

	"gonum.org/v1/gonum/mat"

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

// vec is a vector with what is told of some states, and 0 of the others.
func vec(of map[int]float64) *mat.VecDense {
	v := mat.NewVecDense(states, nil)
	for i, x := range of {
		v.SetVec(i, x)
	}
	return v
}

// Scatter is how far two runs of one bath differ in efficiency, relative standard deviation, beside the doubt of the stated
// figure that they share. Common practice, no source.
const Scatter = 0.02

// Stock is the contents of one side of a bath. Use Of.
type Stock struct {
	x *mat.VecDense
	p *mat.SymDense // covariance
	b Books
	m float64 // the most metal it ever held, kg

	relative, planned float64 // of this run, as Begin has them
}

// Books is where the metal went, kg: Supplied + Unaccounted = Sampled + Discarded + Cathode + Anode + Crossed + Left.
type Books struct{ Supplied, Unaccounted, Sampled, Discarded, Cathode, Anode, Crossed, Left float64 }

// Of is what was dissolved. shared says that the metal was stated by its concentration, so that both have the error of the volume.
func Of(kilograms, cubicMetres matter.Figure, shared bool) *Stock {
	s := &Stock{x: vec(map[int]float64{metal: kilograms.Value, volume: cubicMetres.Value}), p: mat.NewSymDense(states, nil)}
	for i, u := range map[int]float64{metal: kilograms.StandardUncertainty, volume: cubicMetres.StandardUncertainty, bias: 1, transfer: 1, anode: 1, crossing: 1} {
		s.p.SetSym(i, i, u*u)
	}
	if shared {
		s.p.SetSym(metal, volume, kilograms.Value*min(cubicMetres.Relative(), kilograms.Relative())*cubicMetres.StandardUncertainty)
	}
	s.b.Supplied, s.m = kilograms.Value, kilograms.Value
	return s
}

func square(x float64) float64 { return x * x }

// figure is a value with the doubt that h gives of the states.
func (s *Stock) figure(value float64, h *mat.VecDense) matter.Figure {
	return matter.Figure{Value: value, StandardUncertainty: math.Sqrt(s.variance(h)), Mark: matter.Given, Source: "ledger of the bath"}
}

// state is a state with its doubt.
func (s *Stock) state(i int) matter.Figure {
	return s.figure(s.x.AtVec(i), vec(map[int]float64{i: 1}))
}

// Metal is what is left, kg; never below zero.
func (s *Stock) Metal() matter.Figure {
	f := s.state(metal)
	f.Value = math.Max(f.Value, 0)
	return f
}

// Volume is that of the liquid, m3.
func (s *Stock) Volume() matter.Figure { return s.state(volume) }

// Concentration is kg of metal per m3; zero without liquid.
func (s *Stock) Concentration() matter.Figure {
	v := s.x.AtVec(volume)
	if !(v > 0) {
		return matter.Figure{Mark: matter.Given}
	}
	return s.figure(math.Max(s.x.AtVec(metal), 0)/v, s.perVolume())
}

// Most is the most metal that the bath ever held, kg.
func (s *Stock) Most() float64 { return s.m }

// Cathode is what the run that ended last brought onto its cathode, kg.
func (s *Stock) Cathode() matter.Figure { return s.state(taken) }

// Books returns where the metal went.
func (s *Stock) Books() Books {
	b := s.b
	b.Left = s.x.AtVec(metal)
	return b
}

// perVolume is the change of the concentration with the states.
func (s *Stock) perVolume() *mat.VecDense {
	v := s.x.AtVec(volume)
	return vec(map[int]float64{metal: 1 / v, volume: -s.x.AtVec(metal) / square(v)})
}

func (s *Stock) variance(h *mat.VecDense) float64 { return math.Max(mat.Inner(h, s.p, h), 0) }

// add changes a state.
func (s *Stock) add(i int, by float64) { s.x.SetVec(i, s.x.AtVec(i)+by) }

// noise adds an error of its own that moves the states by g standard deviations.
func (s *Stock) noise(g map[int]float64) { s.p.SymRankOne(s.p, 1, vec(g)) }

// shift adds to one state a share of the others, in the covariance alone: it was x, and is x + Σ by·others.
func (s *Stock) shift(to int, by *mat.VecDense) {
	var c mat.VecDense
	c.MulVec(s.p, by)
	c.SetVec(to, c.AtVec(to)+s.variance(by)/2)
	s.p.RankTwo(s.p, 1, vec(map[int]float64{to: 1}), &c)
}

// observe takes a measurement of h·states that differs from what was expected, with its standard uncertainty.
func (s *Stock) observe(h *mat.VecDense, differs, u float64) {
	total := s.variance(h) + u*u
	if !(total > 0) {
		return // both are certain
	}
	var c mat.VecDense
	c.MulVec(s.p, h)
	s.x.AddScaledVec(s.x, differs/total, &c)
	s.p.SymRankOne(s.p, -1/total, &c)
	onCathode := c.AtVec(taken) * differs / total
	s.b.Cathode += onCathode
	s.b.Unaccounted += c.AtVec(metal)*differs/total + onCathode
	s.m = math.Max(s.m, s.x.AtVec(metal))
}

// Add puts in metal and liquid, kg and m3; what is not known is none. A volume below zero is lost by evaporation.
func (s *Stock) Add(kilograms, cubicMetres matter.Figure) error {
	if v := s.x.AtVec(volume); v+cubicMetres.Value <= 0 {
		return fmt.Errorf("%.4g L of water: of %.4g L nothing would be left", cubicMetres.Value*1e3, v*1e3)
	}
	s.add(metal, kilograms.Value)
	s.add(volume, cubicMetres.Value)
	s.noise(map[int]float64{metal: kilograms.StandardUncertainty})
	s.noise(map[int]float64{volume: cubicMetres.StandardUncertainty})
	s.b.Supplied += kilograms.Value
	s.m = math.Max(s.m, s.x.AtVec(metal))
	return nil
}

// Draw takes out liquid with the metal in it, m3: a sample, or what is discarded.
func (s *Stock) Draw(cubicMetres matter.Figure, discarded bool) error {
	v, all, held := cubicMetres.Value, s.x.AtVec(volume), s.x.AtVec(metal)
	if !(v > 0) || v > all*(1+1e-9) {
		return fmt.Errorf("%.4g L cannot be taken out of the %.4g L there are", v*1e3, all*1e3)
	}
	share, c := math.Min(v/all, 1), held/all
	s.shift(metal, vec(map[int]float64{metal: -share, volume: c * share}))
	s.noise(map[int]float64{metal: -c * cubicMetres.StandardUncertainty, volume: -cubicMetres.StandardUncertainty})
	s.x.SetVec(metal, held-held*share)
	s.x.SetVec(volume, math.Max(all-v, 0))
	if discarded {
		s.b.Discarded += held * share
	} else {
		s.b.Sampled += held * share
	}
	return nil
}

// Measured takes a measured volume, m3.
func (s *Stock) Measured(cubicMetres matter.Figure) {
	s.observe(vec(map[int]float64{volume: 1}), cubicMetres.Value-s.x.AtVec(volume), cubicMetres.StandardUncertainty)
}

// Assay takes a found concentration, kg of metal per m3.
func (s *Stock) Assay(found matter.Figure) {
	v := s.x.AtVec(volume)
	if !(v > 0) {
		return
	}
	variance, slope := s.variance(s.perVolume()), s.x.AtVec(metal)/v
	if total := variance + square(found.StandardUncertainty); total > 0 { // it tells of metal less slope times volume; by the concentration that follows, it tells so in any order
		slope += (found.Value - slope) * variance / total
	}
	s.observe(vec(map[int]float64{metal: 1, volume: -slope}), found.Value*v-s.x.AtVec(metal), found.StandardUncertainty*v)
}

// Begin begins a run: what is told of the cathode is that of this run from now on. relative is the standard uncertainty of this run alone, such
// as that of its charge, on top of which comes Scatter; planned is the kg in the bath at its beginning, as planned.
func (s *Stock) Begin(relative, planned float64) {
	s.relative, s.planned = relative, planned
	for _, i := range []int{scatter, began, taken} {
		s.x.SetVec(i, 0)
		for j := range states {
			s.p.SetSym(i, j, 0)
		}
	}
	s.p.SetSym(scatter, scatter, 1)
	s.x.SetVec(began, s.x.AtVec(metal))
	s.shift(began, vec(map[int]float64{metal: 1}))
}

// Stretch is what a stretch of a run took, as its plan has it, kg, and how that changes with what the plan takes for true.
type Stretch struct {
	Won     float64 // onto the cathode
	Anode   float64 // by the anode; below zero it gave metal
	Crossed float64 // through the separator
	// ByMetal is kg won per kg in the bath at the beginning; the others are kg for one standard uncertainty of each.
	ByEfficiency, ByTransfer, ByAnode, ByCrossing, ByMetal float64 `json:",omitzero"`
}

// Plus is a stretch and a share of another.
func (t Stretch) Plus(share float64, o Stretch) Stretch {
	return Stretch{t.Won + share*o.Won, t.Anode + share*o.Anode, t.Crossed + share*o.Crossed, t.ByEfficiency + share*o.ByEfficiency,
		t.ByTransfer + share*o.ByTransfer, t.ByAnode + share*o.ByAnode, t.ByCrossing + share*o.ByCrossing, t.ByMetal + share*o.ByMetal}
}

// Take takes a stretch of the run that was begun last.
func (s *Stock) Take(t Stretch) {
	onto := vec(map[int]float64{bias: t.ByEfficiency, transfer: t.ByTransfer, scatter: t.Won * math.Hypot(s.relative, Scatter), began: t.ByMetal})
	won := t.Won + mat.Dot(onto, s.x) - t.ByMetal*s.planned
	lost, crossed := t.Anode+t.ByAnode*s.x.AtVec(anode), t.Crossed+t.ByCrossing*s.x.AtVec(crossing)
	out := vec(map[int]float64{anode: -t.ByAnode, crossing: -t.ByCrossing})
	out.SubVec(out, onto)
	s.shift(metal, out)
	s.shift(taken, onto)
	s.add(metal, -(won + lost + crossed))
	s.add(taken, won)
	s.b.Cathode += won
	s.b.Anode += lost
	s.b.Crossed += crossed
}

// Weighed takes the weighed deposit of the run that was begun last, kg.
func (s *Stock) Weighed(deposit matter.Figure) {
	s.observe(vec(map[int]float64{taken: 1}), deposit.Value-s.x.AtVec(taken), deposit.StandardUncertainty)
}
