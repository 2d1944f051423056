package ledger

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/stock"
)

var ledgerSeeds = flag.Int("ledger", housetest.UnderRace(2, 8), "how many invented baths are followed through ten runs each; 200 makes the soak")

// invented is a bath whose truth is known: what the ledger is told carries errors as large as it takes them for.
type invented struct {
	rng             *rand.Rand
	data            string
	metal, volume   float64 // kg, m3, truly
	bias, across    float64 // in standard uncertainties
	now             time.Time
	moves, runs     int
	checked, inside int
}

// off is a value as it truly is, where it is told with a relative standard uncertainty.
func (v *invented) off(told, relative float64) float64 {
	return told * (1 + relative*v.rng.NormFloat64())
}

func (v *invented) draw(told float64) {
	share := v.off(told, bath.VolumeDoubt) / v.volume
	v.metal, v.volume = v.metal*(1-share), v.volume*(1-share)
}

// assay is the concentration as a laboratory tells it.
func (v *invented) assay() control.Entry {
	return entry(bath.EntryAssay, map[string]float64{bath.PerMass: v.off(v.metal/v.volume, bath.ConcentrationDoubt)})
}

// between is what is done to the bath between two runs.
func (v *invented) between(t *testing.T) {
	enter := func(e control.Entry) {
		t.Helper()
		v.now = v.now.Add(time.Hour)
		e.Certain = true // by chance one of so many lies far off
		if _, err := Enter(v.data, OfBath, "zinc-1", e, v.now); err != nil {
			t.Fatal(err)
		}
		v.moves++
	}
	lost := -(0.01 + 0.05*v.rng.Float64()) * 1e-3
	v.volume += v.off(lost, bath.EvaporationDoubt)
	enter(entry(bath.EntryWater, map[string]float64{bath.LiquidVolume: lost}))
	if v.rng.IntN(2) == 0 {
		v.volume += v.off(40e-6, bath.VolumeDoubt)
		enter(entry(bath.EntryWater, map[string]float64{bath.LiquidVolume: 40e-6}))
	}
	if v.metal < 0.045 {
		kg := 0.04 + 0.05*v.rng.Float64()
		v.metal += v.off(kg, math.Hypot(bath.AssayDoubt, bath.BalanceDoubt)) * 65.38 / 287.54
		enter(entry(bath.EntryAddition, map[string]float64{bath.Mass: kg}, bath.Formula, "ZnSO4·7H2O"))
	}
	switch v.rng.IntN(4) {
	case 0:
		enter(v.assay())
	case 1:
		told := v.off(v.volume, bath.VolumeDoubt)
		enter(entry(bath.EntryMeasurement, map[string]float64{bath.LiquidVolume: told, "volume_plus_minus_cubic_metres": v.volume * bath.VolumeDoubt * math.Sqrt(3)}))
	case 2:
		v.draw(30e-6)
		enter(entry("discarded", map[string]float64{bath.LiquidVolume: 30e-6}, "what", "catholyte"))
	}
}

// night is one run, with a sample in the middle and, some mornings, a weighing.
func (v *invented) night(t *testing.T) {
	v.now = v.now.Add(10 * time.Hour)
	c := goesOn(t, v.data, "", fmt.Sprintf("cathode_name = \"al-%d\"\nanode_name = \"pb-1\"", v.runs%3), v.now)
	hours := 1 + 3*v.rng.Float64()
	n := night{begin: v.now, hours: hours, frozen: c.Frozen, entries: map[float64]control.Entry{}}
	const relative = 0.04 / 0.88
	own := 1 + relative/math.Sqrt(3)*v.bias + stock.Scatter*v.rng.NormFloat64()
	half := won(hours)/2*own + v.across*crossing(c, hours)/2 // before an assay in the middle, and after it
	v.metal -= half
	if v.rng.IntN(2) == 0 {
		v.draw(5e-6)
		n.entries[hours/2] = entry(bath.EntrySample, map[string]float64{bath.LiquidVolume: 5e-6})
	} else if v.rng.IntN(2) == 0 {
		n.entries[hours/2] = v.assay()
	}
	v.metal -= half
	run := n.ran(t, v.data)
	v.runs++
	v.now = v.now.Add(time.Duration(hours*float64(time.Hour)) + time.Hour)
	if v.rng.IntN(3) > 0 {
		return
	}
	w, err := runlog.OpenLate(run)
	if err != nil {
		t.Fatal(err)
	}
	e := entry(bath.EntryWeighing, map[string]float64{bath.Mass: v.off(won(hours)*own, bath.BalanceDoubt)})
	_, err = w.Append(v.now, e.Kind, "", e.LogFields()...)
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
}

// look holds the ledger against the truth.
func (v *invented) look(t *testing.T) {
	b, err := ReadBath(v.data, "zinc-1")
	if err != nil || len(b.Problems) > 0 {
		t.Fatal(err, b.Problems)
	}
	if len(b.Runs) != v.runs {
		t.Fatalf("%d runs stand in the ledger, and there were %d", len(b.Runs), v.runs)
	}
	books := b.Side.Books()
	if out := books.Sampled + books.Discarded + books.Cathode + books.Anode + books.Crossed + books.Left; math.Abs(books.Supplied+books.Unaccounted-out) > 1e-9*books.Supplied {
		t.Fatalf("the metal does not close: %+v", books)
	}
	var cathodes float64
	for _, r := range b.Runs {
		cathodes += r.Won.Value
	}
	if math.Abs(cathodes-books.Cathode) > 1e-9*books.Supplied {
		t.Fatalf("the runs took %g kg, and the books have %g kg", cathodes, books.Cathode)
	}
	v.checked++
	if c := b.Side.Concentration(); math.Abs(c.Value-v.metal/v.volume) <= 1.959964*c.StandardUncertainty { // 95 % of a normal distribution
		v.inside++
	}
}

// TestTenRunsOfOneBath follows invented baths through ten runs each, with samples, top-ups, evaporation, weighings and electrodes that
// are swapped: the true concentration lies in the stated band as often as that says.
func TestTenRunsOfOneBath(t *testing.T) {
	checked, inside := 0, 0
	for seed := range *ledgerSeeds {
		rng := rand.New(rand.NewPCG(uint64(seed), 12))
		v := &invented{rng: rng, data: t.TempDir(), metal: 0.056 + 1e-3/math.Sqrt(3)*rng.NormFloat64(), volume: 0.9e-3 + 0.02e-3/math.Sqrt(3)*rng.NormFloat64(), bias: rng.NormFloat64(), across: rng.NormFloat64(), now: monday}
		for range 10 {
			v.night(t)
			if err := Settle(v.data, v.now, runlog.Patience); err != nil {
				t.Fatal(err)
			}
			v.look(t)
			v.between(t)
		}
		checked, inside = checked+v.checked, inside+v.inside
		stood := 0
		for i := range 3 {
			e, err := ReadElectrode(v.data, fmt.Sprintf("al-%d", i))
			if err != nil || len(e.Problems) > 0 {
				t.Fatal(err)
			}
			stood += len(e.Runs)
		}
		if stood != 10 {
			t.Errorf("seed %d: the cathodes stood in %d runs", seed, stood)
		}
	}
	share, allowed := float64(inside)/float64(checked), 0.025
	if *ledgerSeeds < 200 {
		allowed = 0.025 + 2*math.Sqrt(0.05*0.95/float64(*ledgerSeeds)) // the ten runs of a bath share their errors
	}
	t.Logf("%d of %d true concentrations lie in their band, %.1f %%", inside, checked, 100*share)
	if math.Abs(share-0.95) > allowed {
		t.Errorf("%.1f %% lie in the band of 95 %%", 100*share)
	}
}
