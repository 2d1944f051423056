package bath

import (
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate"
)

// Book is the metal account of one compartment: what was put in, what left it and
// by which way. Its fields are its whole state, so that copying a Book saves it.
// Metal is in mol, volumes in m3. Everything but Volume only adds up.
type Book struct {
	Volume      float64 // of the liquid now
	Supplied    float64 // metal put in
	Sampled     float64 // metal taken out with samples
	Unaccounted float64 // metal that assays found beyond the account; negative: missing
	Overcounted float64 // the part of Unaccounted that was taken off the deposit, see find; at least 0
	Deposited   float64 // metal on the cathode, and the rounding that the sum lost:
	DepositTail float64
	WaterAdded  float64
	WaterLost   float64

	Uptake      Uptake  `json:",omitzero"` // of the anode from now on
	OnAnode     float64 `json:",omitzero"` // metal that the anode took, below zero gave back, and the rounding that the sum lost:
	AnodeTail   float64 `json:",omitzero"`
	Crossing    Uptake  `json:",omitzero"` // through the separator from now on
	Crossed     float64 `json:",omitzero"` // metal that crossed it, and the rounding that the sum lost:
	CrossedTail float64 `json:",omitzero"`
	Weighed     float64 `json:",omitzero"` // on the anode, as entered last
	Collected   float64 `json:",omitzero"` // entered as sludge
	AssayedAt   float64 `json:",omitzero"` // C passed at the last assay
	Doubt       Doubt   `json:",omitzero"`
}

// Metal returns the mol of metal in solution: supplied + unaccounted - sampled - won - what the anode took - what crossed.
func (b *Book) Metal() float64 { return math.Max(b.balance(), 0) }

func (b *Book) balance() float64 {
	return b.Supplied + b.Unaccounted - b.Sampled - b.Won() - b.Anode() - b.Across()
}

// Anode returns the mol of metal that the anode took; below zero it gave metal back.
func (b *Book) Anode() float64 { return b.OnAnode + b.AnodeTail }

// Across returns the mol of metal that crossed the separator.
func (b *Book) Across() float64 { return b.Crossed + b.CrossedTail }

// leave books mol of metal that left by other ways than the cathode in so many faradays.
func (b *Book) leave(batch Batch, lost, faradays float64) {
	anode, crossed := batch.parted(lost, faradays)
	compensate(&b.OnAnode, &b.AnodeTail, anode)
	compensate(&b.Crossed, &b.CrossedTail, crossed)
}

// Won returns the mol of metal on the cathode as the model counted it from the charge.
func (b *Book) Won() float64 { return b.Deposited + b.DepositTail }

// Confirmed returns the mol of metal on the cathode that no assay speaks against:
// what the model counted, less what assays found still in the bath.
func (b *Book) Confirmed() float64 { return math.Max(b.Won()-b.Overcounted, 0) }

// Stock returns the mol of metal that there is, or was, to be won: on the cathode, in the bath, at the anode and beyond the
// separator together. A recovered share is Confirmed over Stock, in the plan and in the run alike.
func (b *Book) Stock() float64 { return b.Confirmed() + b.Metal() + b.Anode() + b.Across() }

// Concentration returns mol of metal per m3, 0 for an empty compartment.
func (b *Book) Concentration() float64 {
	if !(b.Volume > 0) {
		return 0
	}
	return b.Metal() / b.Volume
}

// deposit moves mol from the solution to the cathode.
func (b *Book) deposit(mol float64) { compensate(&b.Deposited, &b.DepositTail, mol) }

// compensate adds x to a compensated sum whose parts stand in a saved state under names of their own.
func compensate(total, tail *float64, x float64) {
	sum := integrate.Sum{Total: *total, Compensation: *tail}
	sum.Add(x)
	*total, *tail = sum.Total, sum.Compensation
}

// Add books mol of metal and m3 of liquid put in; both at least 0.
func (b *Book) Add(mol, volume float64) error {
	if !(mol >= 0) || !(volume >= 0) || math.IsInf(mol, 0) || math.IsInf(volume, 0) {
		return fmt.Errorf("addition of %g mol in %s: neither may be negative", mol, quantity.Short(quantity.Volume, volume, 4))
	}
	b.Supplied += mol
	b.Volume += volume
	return nil
}

// Sample books a withdrawal of m3 of liquid with the metal in it, and returns that metal in mol.
func (b *Book) Sample(volume float64) (mol float64, err error) {
	if !(volume > 0) || volume >= b.Volume {
		return 0, fmt.Errorf("sample of %s: it has to be above zero and less than the %s there are", quantity.Short(quantity.Volume, volume, 4), quantity.Short(quantity.Volume, b.Volume, 4))
	}
	mol = b.Concentration() * volume
	b.Sampled += mol
	b.Volume -= volume
	return mol, nil
}

// find books mol of metal that an assay found beyond the account, below zero: missing.
//
// An assay alone cannot tell whether the deposit or the stock was misjudged, so it is
// read in the way that ends no run too early. Metal found beyond the account is taken to be
// missing on the cathode, as far as the model counted any there (efficiency below the
// expected), and beyond that to have been in the bath from the beginning. Metal that is missing in the bath
// is taken to have never been there or to be lost, and is not credited to the cathode; but
// first it takes back what an earlier assay found. What the model counted stays in Won.
func (b *Book) find(found float64) {
	if found > 0 {
		lost := math.Max(b.Overcounted-b.Unaccounted, 0) // stock that earlier assays missed is back first
		b.Overcounted += math.Min(math.Max(found-lost, 0), b.Confirmed())
	} else {
		b.Overcounted = math.Max(b.Overcounted+found, 0)
	}
	b.Unaccounted += found
}

// Water books m3 of water added, or lost by evaporation and electrolysis if negative.
func (b *Book) Water(volume float64) error {
	if math.IsNaN(volume) || math.IsInf(volume, 0) || b.Volume+volume <= 0 {
		return fmt.Errorf("water %s: with %s there, nothing would be left", quantity.Short(quantity.Volume, volume, 4), quantity.Short(quantity.Volume, b.Volume, 4))
	}
	if volume >= 0 {
		b.WaterAdded += volume
	} else {
		b.WaterLost -= volume
	}
	b.Volume += volume
	return nil
}

// check says whether the fields can be those of a compartment.
func (b *Book) check(name string) error {
	for _, v := range []float64{b.Volume, b.Supplied, b.Sampled, b.Overcounted, b.Deposited, b.WaterAdded, b.WaterLost, b.Doubt.Metal, b.Doubt.Volume} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return fmt.Errorf("%s: %g cannot be in its book", name, v)
		}
	}
	for _, v := range []float64{b.Unaccounted, b.DepositTail, b.OnAnode, b.AnodeTail, b.Weighed, b.Collected, b.AssayedAt, b.Uptake.Best, b.Uptake.Low, b.Uptake.High, b.Crossed, b.CrossedTail, b.Crossing.Best, b.Crossing.Low, b.Crossing.High,
		b.Doubt.Both, b.Doubt.Won, b.Doubt.Charge, b.Doubt.VolumeByWon, b.Doubt.VolumeByCharge} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s: %g cannot be in its book", name, v)
		}
	}
	return nil
}
