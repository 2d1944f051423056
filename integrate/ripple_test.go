package integrate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// ripple is a current of 2 A that swings by 0.5 A with a period of 7 s, as a
// switching regulator at its limit or bubbles that leave together make it.
type ripple struct {
	name string
	// wave swings between -1 and 1 with the period 1 and has no mean; area is its integral from 0.
	wave, area func(x float64) float64
}

const ripplePeriod, rippleAmperes = 7.0, 0.5

var ripples = []ripple{
	{"sine", func(x float64) float64 { return math.Sin(2 * math.Pi * x) },
		func(x float64) float64 { return (1 - math.Cos(2*math.Pi*x)) / (2 * math.Pi) }},
	{"square", func(x float64) float64 { return math.Copysign(1, 0.5-fraction(x)) },
		func(x float64) float64 { return min(fraction(x), 1-fraction(x)) }},
	{"sawtooth", func(x float64) float64 { return 2*fraction(x) - 1 },
		func(x float64) float64 { f := fraction(x); return f*f - f }},
}

func fraction(x float64) float64 { return x - math.Floor(x) }

func (r ripple) current(t float64) float64 { return 2 + rippleAmperes*r.wave(t/ripplePeriod) }
func (r ripple) passed(t float64) float64 {
	return 2*t + rippleAmperes*ripplePeriod*r.area(t/ripplePeriod)
}

// killed counts a ripple by a watch that is killed 70 times and started again. up and
// down draw how long it watches and how long it is dead. It returns what truly
// passed and what was counted, with the ripple in the uncertainty and without.
func killed(t *testing.T, r ripple, phase, poll float64, up, down func() float64) (truth float64, with, without Totals) {
	t.Helper()
	left := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 2.5, Restarted: true}
	both := [2]*Coulometer{NewCoulometer(Settings{}), NewCoulometer(Settings{EarlierDoubts: true})}
	read := func(at float64, e Evidence) {
		for _, c := range both {
			if _, err := c.Add(Sample{At: time.Duration(at * 1e9), Volts: 3, Amperes: r.current(phase + at)}, e); err != nil {
				t.Fatal(err)
			}
		}
	}
	at, dies := 0.0, 0.0
	read(0, Evidence{})
	for range 70 {
		dies += up()
		for ; at+poll <= dies; at += poll {
			read(at+poll, Evidence{})
		}
		dies += down()
		at = dies
		read(at, left)
	}
	return r.passed(phase+at) - r.passed(phase), both[0].Totals(), both[1].Totals()
}

// TestCoverageOfGapsUnderRipple: the interval at k = 2 holds the true charge at least
// 95 times in 100, whether the watch dies at random or in step with the ripple. Random
// kills alone would bear a narrower one; but nothing tells that they are random.
func TestCoverageOfGapsUnderRipple(t *testing.T) {
	nights := housetest.Thinned(1000)
	for _, locked := range []bool{false, true} {
		for n, r := range ripples {
			rng := rand.New(rand.NewPCG(20260111, uint64(n)))
			uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
			var covered, before int
			var width, off float64
			for range nights {
				phase, poll := uniform(0, ripplePeriod), uniform(0.2, 1)
				lives, dead := uniform(1, 2), uniform(0.5, 3)
				up, down := func() float64 { return lives * rng.ExpFloat64() }, func() float64 { return 0.1 + dead*rng.ExpFloat64() }
				if locked {
					cycle, share := ripplePeriod*[]float64{1. / 3, 2. / 5, 1. / 2, 2. / 3, 1, 3. / 2}[rng.IntN(6)], uniform(0.3, 0.7)
					up, down = func() float64 { return cycle * share }, func() float64 { return cycle * (1 - share) }
				}
				truth, with, without := killed(t, r, phase, poll, up, down)
				miss := math.Abs(with.Charge - truth)
				if miss <= CoverageFactor*with.StandardUncertainty {
					covered++
				}
				if miss <= CoverageFactor*without.StandardUncertainty {
					before++
				}
				off, width = off+miss/with.Charge, width+CoverageFactor*with.StandardUncertainty/with.Charge
			}
			t.Logf("locked %v, %s: covered %.1f %% (%.1f %% without the ripple), mean miss %.1f %%, mean half-width %.1f %%",
				locked, r.name, 100*float64(covered)/float64(nights), 100*float64(before)/float64(nights), 100*off/float64(nights), 100*width/float64(nights))
			if covered < nights*95/100 {
				t.Errorf("locked %v, %s: covered in %d of %d nights; 95 in 100 are wanted", locked, r.name, covered, nights)
			}
			if locked && before >= nights*95/100 {
				t.Errorf("%s: covered without the ripple too: the kills show nothing", r.name)
			}
		}
	}
}

// TestRippleByHand: readings of 2.5 A and 1.5 A in turn, a second apart, stray 1 A from
// the line between their neighbours at the lag of half a second.
func TestRippleByHand(t *testing.T) {
	left := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 1e-9}
	count := func(s Settings, current func(i int) float64, gaps ...time.Duration) *Coulometer {
		c := NewCoulometer(s)
		at := time.Duration(0)
		add := func(amperes float64, e Evidence) {
			if _, err := c.Add(Sample{At: at, Volts: 3, Amperes: amperes}, e); err != nil {
				t.Fatal(err)
			}
		}
		for i := range 1001 {
			add(current(i), Evidence{})
			at += time.Second
		}
		for _, g := range gaps {
			at += g - time.Second
			left.Restarted = true
			add(current(0), left)
			at += time.Second
		}
		return c
	}
	swing := func(i int) float64 { return 2 + 0.5*float64(1-2*(i&1)) }
	// The gap of 1 s hangs on the shortest lag alone, and the uncertainty of the current
	// is √(π/6) A. Two such gaps err to the same side.
	widened := func(c *Coulometer) float64 {
		bare := 0.0
		for _, g := range c.Gaps() {
			bare += g.variance()
		}
		b := c.Totals().Budget.Gaps
		return math.Sqrt(max(b*b-bare, 0))
	}
	for n := 1; n <= 3; n++ {
		gaps := []time.Duration{time.Second, time.Second, time.Second}[:n]
		if got, want := widened(count(Settings{}, swing, gaps...)), float64(n)*math.Sqrt(math.Pi/6); math.Abs(got-want) > 0.01*want {
			t.Errorf("%d gaps of a second: the ripple adds %v C, by hand %v C", n, got, want)
		}
	}
	if got := widened(count(Settings{CorrectionFactor: 2, CorrectionUncertainty: 0}, swing, time.Second)); math.Abs(got-2*math.Sqrt(math.Pi/6)) > 0.02 {
		t.Errorf("with a correction of 2: %v C", got)
	}
	if got := widened(count(Settings{EarlierDoubts: true}, swing, time.Second)); got > 1e-3 {
		t.Errorf("a log begun without the ripple has it: %v C", got)
	}
	// What is steady or drifts as a straight line adds nothing.
	if got := widened(count(Settings{}, func(i int) float64 { return 3 - float64(i)/1000 }, time.Second)); got > 1e-3 {
		t.Errorf("a drift adds %v C", got)
	}
	// A slow swing makes a short gap no worse, and a long one a great deal.
	slow := func(i int) float64 { return 2 + 0.5*math.Sin(2*math.Pi*float64(i)/200) }
	short, long := widened(count(Settings{}, slow, 2*time.Second))/2, widened(count(Settings{}, slow, 200*time.Second))/200
	if short > 0.01 || long < 0.2 {
		t.Errorf("a swing of 0.5 A in 200 s makes a gap of 2 s uncertain by %v A, one of 200 s by %v A", short, long)
	}
	// Who knows what flowed does not ask the ripple.
	c := count(Settings{}, swing, time.Second)
	if err := c.Settle(0, 2, 2, 2); err != nil {
		t.Fatal(err)
	}
	if got := c.Totals().Budget.Gaps; got != 0 {
		t.Errorf("a settled gap: %v C", got)
	}
	// A current that somebody changed in the dark is no ripple.
	c = count(Settings{}, func(int) float64 { return 3 })
	last, _ := c.Last()
	for i, amperes := range []float64{0, 0, 1, 1} {
		if _, err := c.Add(Sample{At: last.At + time.Duration(i+1)*time.Second, Volts: 3, Amperes: amperes}, Evidence{Restarted: i%2 == 0}); err != nil {
			t.Fatal(err)
		}
	}
	if got := c.State().Ripple[0].Sum; got != 0 {
		t.Errorf("switching adds %v A to the ripple", got)
	}
}

// TestFoldedGapsKeepTheirRipple: gaps beyond those kept apart still add to it.
func TestFoldedGapsKeepTheirRipple(t *testing.T) {
	c := NewCoulometer(Settings{})
	e := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, Restarted: true}
	for i := range 3 * settleable {
		if _, err := c.Add(Sample{At: time.Duration(i) * time.Second, Volts: 3, Amperes: 2 + 0.5*float64(1-2*(i&1))}, e); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := c.rippleUncertainty(), float64(3*settleable-1)*math.Sqrt(math.Pi/6); math.Abs(got-want) > 0.01*want {
		t.Errorf("%v C, by hand %v C", got, want)
	}
}
