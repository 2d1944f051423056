package alerts_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/housetest"
)

var (
	nights = flag.Int("nights", housetest.UnderRace(2, 8), "quiet nights to watch in the false-alarm test")
	seeds  = flag.Int("seeds", housetest.UnderRace(1, 6), "seeds of each scenario")
)

// night is a synthetic cell for tuning: volts in closed form, so that thousands of
// nights are cheap. The simulated supply with its physics is the daemon's drill.
type night struct {
	random  *rand.Rand
	poll    time.Duration
	fall    float64 // V, warm-up
	tau     float64 // h
	base    float64 // V when warm
	wander  float64 // V, slow random level
	bubbles float64 // V, gas noise, 4 s memory
	white   float64 // V, meter
	step    float64 // V, resolution
	ohms    float64 // slope resistance
	meter   float64 // A, meter noise
	frozen  float64
	each    func(at time.Duration) // called before every observation
	slow    float64
	fast    float64
}

func newNight(seed uint64, poll time.Duration) *night {
	r := rand.New(rand.NewPCG(seed, 7))
	return &night{
		random: r, poll: poll, fall: 0.05 + 0.25*r.Float64(), tau: 0.7 + 1.5*r.Float64(), base: 3.2 + 0.6*r.Float64(),
		wander: 0.003 + 0.007*r.Float64(), bubbles: 0.002 + 0.003*r.Float64(), white: 0.0005, meter: 4e-4, step: 0.001, ohms: 0.45,
	}
}

// mishap changes an observation and the noise, hours after its onset.
type mishap func(hours float64, n *night, o *alerts.Observation, noise *float64)

// watch runs a night through a board and calls each with its changes; from onset on the mishap acts.
func (n *night) watch(b *alerts.Board, length, onset time.Duration, m mishap, each func(alerts.Change)) {
	held := 3.0
	for t := time.Duration(0); t < length; t += n.poll {
		if n.each != nil {
			n.each(t)
		}
		h := t.Hours()
		o := alerts.Blank(t, midnight.Add(t))
		o.HasReading, o.Mode, o.Output = true, alerts.ConstantCurrent, alerts.OutputIsOn
		o.SetVolts, o.SetAmperes = 6, held
		o.Amperes = held
		o.Volts = n.base + n.fall*math.Exp(-h/n.tau)
		dt := n.poll.Seconds()
		keep := math.Exp(-dt / 1200)
		n.slow = n.slow*keep + n.wander*math.Sqrt(1-keep*keep)*n.random.NormFloat64()
		o.Volts += n.slow
		o.Charge, o.Target, o.ChargeUncertainty = 3*t.Seconds(), 3*20*3600, 10
		o.PlanCharge, o.LimitingRatio = o.Charge, 0.2
		noise := 1.0
		if m != nil && t >= onset {
			m((t - onset).Hours(), n, &o, &noise)
		}
		keep = math.Exp(-dt / 4)
		n.fast = n.fast*keep + math.Sqrt(1-keep*keep)*n.random.NormFloat64()
		o.Volts += noise * n.bubbles * n.fast
		o.Volts += n.white * n.random.NormFloat64()
		o.Volts = math.Round(o.Volts/n.step) * n.step
		o.Amperes += n.meter * n.random.NormFloat64()
		o.Amperes = math.Round(o.Amperes/1e-3) * 1e-3
		for _, c := range b.Judge(&o) {
			each(c)
		}
	}
}

// atLimit makes a supply of 6 V go to constant voltage when the cell wants more.
func atLimit(o *alerts.Observation, ohms float64) {
	if o.Volts > 6 {
		o.Amperes = math.Max(0, o.Amperes-(o.Volts-6)/ohms)
		o.Volts, o.Mode = 6, alerts.ConstantVoltage
	}
}

func TestMishapsAreFoundAndNamed(t *testing.T) {
	tests := []struct {
		want   alerts.Condition
		within time.Duration
		m      mishap
	}{
		{alerts.HardShort, time.Minute, func(_ float64, _ *night, o *alerts.Observation, _ *float64) { o.Volts = 0.2 }},
		{alerts.LeadOff, time.Minute, func(_ float64, _ *night, o *alerts.Observation, _ *float64) {
			o.Volts, o.Amperes, o.Mode = 6, 0, alerts.ConstantVoltage
		}},
		{alerts.OhmicRise, 3 * time.Hour, func(h float64, _ *night, o *alerts.Observation, _ *float64) {
			o.Volts += 0.06*h + 0.03*h*h
			atLimit(o, 0.5)
		}},
		{alerts.Whisker, time.Hour, func(_ float64, n *night, o *alerts.Observation, _ *float64) {
			if n.random.Float64() < n.poll.Seconds()/300 {
				o.Volts *= 1 - 0.05 - 0.25*n.random.Float64()
			}
		}},
		{alerts.Contact, 3 * time.Hour, func(h float64, n *night, o *alerts.Observation, _ *float64) {
			o.Volts += 0.05 * h * (1 + 0.15*n.random.NormFloat64())
		}},
		{alerts.StirrerStopped, 30 * time.Minute, func(h float64, n *night, o *alerts.Observation, noise *float64) {
			o.Volts += 0.03 + 0.05*(1-math.Exp(-h*60/2))
			*noise = 0.1
		}},
		{alerts.AnodePassivation, 20 * time.Minute, func(h float64, _ *night, o *alerts.Observation, _ *float64) {
			o.Volts += 0.9 * (1 - math.Exp(-h*60/2))
			atLimit(o, 0.5)
		}},
		{alerts.VoltageDrift, 90 * time.Minute, func(h float64, _ *night, o *alerts.Observation, _ *float64) {
			o.Volts -= 0.6 * (1 - math.Exp(-h))
		}},
		{alerts.ReadingFrozen, 15 * time.Minute, func(h float64, n *night, o *alerts.Observation, noise *float64) {
			if n.frozen == 0 {
				n.frozen = o.Volts
			}
			o.Volts, *noise = n.frozen, 0
			n.white, n.meter = 0, 0
		}},
		{alerts.SetPointsChanged, time.Minute, func(_ float64, _ *night, o *alerts.Observation, _ *float64) {
			o.SetAmperes, o.Amperes = 2, 2
			o.Volts -= 0.45
		}},
	}
	for _, tt := range tests {
		t.Run(tt.want.String(), func(t *testing.T) {
			found, named, worst := 0, 0, time.Duration(0)
			for seed := range uint64(*seeds) {
				n := newNight(seed, 5*time.Second)
				onset := 5*time.Hour + time.Duration(n.random.Float64()*float64(2*time.Hour))
				first := alerts.None
				var after time.Duration
				var early []string
				n.watch(alerts.NewBoard(zinc()), onset+tt.within+time.Minute, onset, tt.m, func(c alerts.Change) {
					if !c.Raised() {
						return
					}
					if at := c.UTC.Sub(midnight); at < onset {
						early = append(early, c.Condition.String()+" "+at.String()+": "+c.Text)
					} else if first == alerts.None {
						first, after = c.Condition, at-onset
						if seed == 0 {
							t.Log(c.Text)
						}
					}
				})
				if len(early) > 0 {
					t.Errorf("seed %d: false alarms before onset: %v", seed, early)
				}
				if first != alerts.None {
					found++
					worst = max(worst, after)
				}
				if first == tt.want {
					named++
				} else {
					t.Logf("seed %d: first was %q after %s", seed, first, after)
				}
			}
			t.Logf("found %d, named %d of %d, slowest %s", found, named, *seeds, worst)
			if found < *seeds || named < *seeds*19/20 {
				t.Errorf("found %d and named %d of %d", found, named, *seeds)
			}
		})
	}
}

func TestQuietNights(t *testing.T) {
	wrong := 0
	for seed := range uint64(*nights) {
		n := newNight(1000+seed, 5*time.Second)
		n.watch(alerts.NewBoard(zinc()), 14*time.Hour, 0, nil, func(c alerts.Change) {
			if c.Raised() {
				wrong++
				t.Logf("seed %d: %s %s: %s", seed, c.UTC.Sub(midnight), c.Condition, c.Text)
			}
		})
	}
	t.Logf("%d false alarms in %d nights of 14 h", wrong, *nights)
	if wrong*100 > *nights {
		t.Errorf("more than one false alarm in 100 nights")
	}
}
