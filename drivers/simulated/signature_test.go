package simulated

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"nightcell/daemon/housetest"
	"nightcell/drivers"
)

// night is one scenario, polled in process from its beginning to its end.
type night struct {
	*Instrument
	scenario *Scenario
	event    time.Duration // when the first scripted thing happens
	polls    []poll
}

type poll struct {
	at      time.Duration
	volts   float64
	amperes float64
	mode    drivers.Mode
	output  drivers.Output
	reason  drivers.Reason // why it was refused, or ""
}

const every = 10 * time.Second

func watch(t *testing.T, name string, seed int64) *night {
	t.Helper()
	s := load(t, name)
	n := &night{Instrument: virtual(t, Setup{Scenario: s, Seed: seed}), scenario: s, event: s.Duration.duration()}
	if len(n.night.breaks) > 0 {
		n.event = n.night.breaks[0]
	}
	for at := time.Duration(0); at <= s.Duration.duration(); at += every {
		r, err := n.Observe(1, at)
		p := poll{at: at, volts: float64(r.Volts), amperes: float64(r.Amperes), mode: r.Mode, output: r.Output}
		var refusal *drivers.Refusal
		if errors.As(err, &refusal) {
			p.reason = refusal.Reason
		} else if err != nil {
			t.Fatal(err)
		}
		n.polls = append(n.polls, p)
	}
	return n
}

// between returns the good polls from one time to another.
func (n *night) between(from, to time.Duration) []poll {
	var out []poll
	for _, p := range n.polls {
		if p.at >= from && p.at < to && p.reason == "" {
			out = append(out, p)
		}
	}
	return out
}

func volts(list []poll) []float64 {
	var out []float64
	for _, p := range list {
		out = append(out, p.volts)
	}
	return out
}

func median(x []float64) float64 {
	x = slices.Clone(x)
	slices.Sort(x)
	if len(x) == 0 {
		return math.NaN()
	}
	return x[len(x)/2]
}

// jumpiness is the median absolute step from poll to poll: the noise floor, whatever the trend.
func jumpiness(x []float64) float64 {
	var steps []float64
	for k := 1; k < len(x); k++ {
		steps = append(steps, math.Abs(x[k]-x[k-1]))
	}
	return median(steps)
}

// level is the median of volts over five minutes from a time.
func (n *night) level(at time.Duration) float64 {
	return median(volts(n.between(at, at+5*time.Minute)))
}

// end is just before the night is over.
func (n *night) end() time.Duration { return n.scenario.Duration.duration() - 10*time.Minute }

// refusals counts the reasons.
func (n *night) refusals() map[drivers.Reason]int {
	out := map[drivers.Reason]int{}
	for _, p := range n.polls {
		if p.reason != "" {
			out[p.reason]++
		}
	}
	return out
}

func (n *night) status(t *testing.T, at time.Duration) drivers.Status {
	t.Helper()
	s, err := n.ObserveStatus(1, at)
	if err != nil {
		t.Fatalf("%s at %v: %v", n.scenario.Name, at, err)
	}
	return s
}

// all says whether every good poll between two times has a property; there must be some.
func (n *night) all(from, to time.Duration, has func(poll) bool) bool {
	list := n.between(from, to)
	return len(list) > 0 && !slices.ContainsFunc(list, func(p poll) bool { return !has(p) })
}

func silent(n *night, from, to time.Duration) bool {
	for _, p := range n.polls {
		if p.at >= from && p.at < to && p.reason != drivers.NoReply {
			return false
		}
	}
	return true
}

// convex is an ohmic rise that grows: later half steeper than the earlier, current steady.
func convex(n *night, _ *testing.T) bool {
	from, to := n.event+20*time.Minute, n.end()
	for _, p := range n.between(from, to) { // judge only while the current is held
		if p.mode != drivers.ConstantCurrent {
			to = p.at - 5*time.Minute
			break
		}
	}
	middle := from + (to-from)/2
	a, b, c := n.level(from), n.level(middle), n.level(to)
	return b-a > 0.01 && c-b > b-a
}

func quiet(n *night, _ *testing.T) bool {
	warm := 3 * time.Hour
	steady := n.all(0, n.end(), func(p poll) bool {
		return p.mode == drivers.ConstantCurrent && p.output == drivers.OutputOn && math.Abs(p.amperes-3) < 0.01
	})
	return steady && len(n.refusals()) == 0 && math.Abs(n.level(n.end())-n.level(warm)) < 0.12
}

// The looks of the faults are those of common practice (no source): constant current unless said otherwise.
var signatures = map[string]func(*night, *testing.T) bool{
	"quiet-night": quiet,
	"warm-room":   quiet,
	"attended":    quiet,
	"impurity": func(n *night, t *testing.T) bool {
		return quiet(n, t) && n.TruthAt(1, n.end()).Efficiency < 0.7
	},
	"zinc-depletion": func(n *night, _ *testing.T) bool {
		return math.Abs(n.level(n.end())-n.level(4*time.Hour)) < 0.1 && n.TruthAt(1, n.end()).Efficiency < 0.05
	},
	"warm-up": func(n *night, _ *testing.T) bool {
		fall := n.level(0) - n.level(6*time.Hour)
		return fall > 0.15 && fall < 0.4
	},
	"overheating": func(n *night, _ *testing.T) bool { return n.level(n.event)-n.level(n.end()) > 0.15 },
	"meter-drift": func(n *night, _ *testing.T) bool {
		wrong := median(amperes(n.between(n.end()-time.Hour, n.end()))) - n.TruthAt(1, n.end()).Amperes
		return math.Abs(wrong-0.0217) < 0.002 // 20 mA of drift on the offset and gain error that were there
	},
	"whisker": func(n *night, _ *testing.T) bool {
		dips := func(from, to time.Duration) int {
			list, usual := n.between(from, to), n.level(n.event-10*time.Minute)
			return len(slices.DeleteFunc(list, func(p poll) bool { return p.volts > usual*0.96 || p.volts < usual*0.6 }))
		}
		half := n.event + (n.end()-n.event)/2
		return dips(time.Hour, n.event) == 0 && dips(n.event, half) >= 3 && dips(half, n.end()) > dips(n.event, half) &&
			n.all(0, n.end(), func(p poll) bool { return math.Abs(p.amperes-3) < 0.01 })
	},
	"dendrite": func(n *night, _ *testing.T) bool {
		return n.level(n.end()) < 0.5 && n.level(4*time.Hour+30*time.Minute) > 3
	},
	"hard-short": shorted,
	"lead-off": func(n *night, _ *testing.T) bool {
		return n.all(n.event, n.end(), open) && n.all(0, n.event, held)
	},
	"lead-flicker": func(n *night, _ *testing.T) bool {
		flicks := slices.DeleteFunc(n.between(n.event, 4*time.Hour+9*time.Minute), held)
		return len(flicks) >= 2 && n.all(4*time.Hour+10*time.Minute, n.end(), open)
	},
	"contact": func(n *night, _ *testing.T) bool {
		quietly, noisily := volts(n.between(n.event-time.Hour, n.event)), volts(n.between(n.end()-time.Hour, n.end()))
		rise := n.level(n.end()) - n.level(n.event)
		return rise > 0.2 && rise < 1.2 && jumpiness(noisily) > 5*jumpiness(quietly)
	},
	"level-falling":      convex,
	"leak":               convex,
	"diaphragm-clogging": convex,
	"anode-passivation": func(n *night, _ *testing.T) bool {
		return n.all(n.event+15*time.Minute, n.end(), func(p poll) bool {
			return p.mode == drivers.ConstantVoltage && p.amperes < 1 && math.Abs(p.volts-6) < 0.02
		})
	},
	"copper-depletion": func(n *night, _ *testing.T) bool {
		rise := n.level(n.end()) - n.level(30*time.Minute)
		return rise > 0.5 && rise < 1
	},
	"stirrer-stopped": func(n *night, _ *testing.T) bool {
		before, after := n.between(n.event-time.Hour, n.event), n.between(n.event+10*time.Minute, n.event+70*time.Minute)
		rise := n.level(n.event+10*time.Minute) - n.level(n.event-6*time.Minute)
		return rise > 0.02 && rise < 0.2 && jumpiness(volts(after)) > 2*jumpiness(volts(before))
	},
	"froth": func(n *night, _ *testing.T) bool {
		pops := 0
		list := n.between(n.event, n.end())
		for k := 1; k < len(list); k++ {
			if list[k].volts < list[k-1].volts-0.1 {
				pops++
			}
		}
		return pops > 20 && n.all(0, n.end(), held)
	},
	"thermal-runaway": func(n *night, _ *testing.T) bool {
		at := func(d time.Duration) float64 { return median(amperes(n.between(d, d+5*time.Minute))) }
		a, b, c := at(0), at(45*time.Minute), at(90*time.Minute)
		return n.all(0, 90*time.Minute, func(p poll) bool { return p.mode == drivers.ConstantVoltage }) && c-b > b-a && b-a > 0.1
	},
	"mode-flip": func(n *night, t *testing.T) bool {
		s := n.status(t, n.end())
		return n.all(0, n.event, held) && n.all(n.event+time.Hour, n.end(), func(p poll) bool { return p.mode == drivers.ConstantVoltage }) &&
			s.SetVolts == 4.2 && s.SetAmperes == 3
	},
	"set-points-changed": func(n *night, t *testing.T) bool {
		s := n.status(t, n.end())
		return s.SetVolts == 7 && s.SetAmperes == 2.6
	},
	"over-current": func(n *night, t *testing.T) bool {
		return n.all(n.event, n.end(), func(p poll) bool { return p.amperes > 3.7 }) && n.status(t, n.end()).SetAmperes == 3.8
	},
	"over-voltage": func(n *night, t *testing.T) bool {
		return n.level(n.event) < 4.2 && n.level(n.end()) > 6.5 && n.status(t, n.end()).Tripped == nil
	},
	"output-off": off,
	"brown-out":  off,
	"over-voltage-trip": func(n *night, t *testing.T) bool {
		return off(n, t) && slices.Equal(n.status(t, n.end()).Tripped, []string{"over-voltage"})
	},
	"over-current-trip": func(n *night, t *testing.T) bool {
		return off(n, t) && slices.Equal(n.status(t, n.end()).Tripped, []string{"over-current"})
	},
	"over-temperature-trip": func(n *night, t *testing.T) bool {
		return off(n, t) && slices.Equal(n.status(t, n.end()).Tripped, []string{"over-temperature"})
	},
	"fold-back": func(n *night, t *testing.T) bool {
		return math.Abs(median(amperes(n.between(n.event, n.end())))-2.01) < 0.02 && n.status(t, n.end()).SetAmperes == 3
	},
	"mains-cut": func(n *night, t *testing.T) bool {
		s := n.status(t, n.end())
		return silent(n, n.event, n.event+15*time.Minute) && s.Output == drivers.OutputOff && s.SetAmperes == 3
	},
	"mains-cut-reset": func(n *night, t *testing.T) bool {
		s := n.status(t, n.end())
		return silent(n, n.event, n.event+time.Minute) && s.Output == drivers.OutputOff && s.SetVolts == 0
	},
	"mains-cut-last": func(n *night, t *testing.T) bool {
		truth := n.TruthAt(1, n.end())
		missing := truth.At.Seconds()*3 - truth.Charge // five minutes without current
		return silent(n, n.event, n.event+5*time.Minute) && n.all(n.event+6*time.Minute, n.end(), held) &&
			math.Abs(missing-5*60*3) < 1e-6 && n.status(t, n.end()).Output == drivers.OutputOn
	},
	"silence": func(n *night, _ *testing.T) bool {
		return silent(n, n.event, n.event+30*time.Minute) && held3(n)
	},
	"long-silence": func(n *night, _ *testing.T) bool {
		return silent(n, n.event, n.event+5*time.Hour) && held3(n)
	},
	"unplug": func(n *night, _ *testing.T) bool {
		return silent(n, n.event, n.event+10*time.Minute) && n.refusals()[drivers.NoReply] >= 3*60 && held3(n)
	},
	"loose-plug": func(n *night, _ *testing.T) bool { // three times; a poll every ten seconds may fall beside four without a port
		missed := n.refusals()[drivers.NoReply]
		return missed >= 1 && missed <= 3 && held3(n)
	},
	"frozen-reading": func(n *night, _ *testing.T) bool {
		first := n.between(n.event, n.end())[0]
		return n.all(n.event, n.end(), func(p poll) bool { return p.volts == first.volts && p.amperes == first.amperes }) &&
			n.TruthAt(1, n.end()).Volts < 0.5
	},
	"swapped-instrument": func(n *night, t *testing.T) bool {
		id, err := n.IdentityAt(n.end())
		return err == nil && id.Serial == "SIM-0002" && silent(n, n.event, n.event+time.Minute)
	},
	"garbage": func(n *night, _ *testing.T) bool {
		return len(n.between(n.event, n.event+10*time.Minute)) == 0 && n.refusals()[drivers.NotNumeric] >= 60
	},
	"rough-line": func(n *night, _ *testing.T) bool {
		r := n.refusals()
		total := 0
		for _, k := range r {
			total += k
		}
		return total < len(n.polls)/10 && r[drivers.NotNumeric] > 0 && r[drivers.Blank] > 0 && r[drivers.NotANumber] > 0 && r[drivers.Overflow] > 0 &&
			r[drivers.NoReply] > 0 && n.all(0, n.end(), held)
	},
	"late-replies":       func(n *night, _ *testing.T) bool { return n.refusals()[drivers.NoReply] > 10 },
	"dropped-characters": func(n *night, _ *testing.T) bool { return n.refusals()[drivers.NotNumeric] > 5 },
	"slow-answers":       func(n *night, _ *testing.T) bool { return len(n.refusals()) == 0 },
	"echo":               func(n *night, _ *testing.T) bool { return n.refusals()[drivers.Echo] >= 120 },
	"bad-night": func(n *night, _ *testing.T) bool {
		return n.level(n.end()) < 0.5 && n.refusals()[drivers.NoReply] > 30
	},
	"commented-example": func(n *night, _ *testing.T) bool {
		return n.level(n.end()) > n.level(2*time.Hour)+0.2 && n.refusals()[drivers.NoReply] == 24
	},
}

func amperes(list []poll) []float64 {
	var out []float64
	for _, p := range list {
		out = append(out, p.amperes)
	}
	return out
}

func held(p poll) bool {
	return p.mode == drivers.ConstantCurrent && math.Abs(p.amperes-3) < 0.01 && p.output == drivers.OutputOn
}

// held3 says that 3 A flowed the whole night, whoever looked.
func held3(n *night) bool {
	return math.Abs(n.TruthAt(1, 0).Charge-3*n.polls[len(n.polls)-1].at.Seconds()) < 1e-6
}

func open(p poll) bool {
	return p.mode == drivers.ConstantVoltage && math.Abs(p.amperes) < 0.005 && math.Abs(p.volts-6) < 0.02 && p.output == drivers.OutputOn
}

func shorted(n *night, _ *testing.T) bool {
	return n.all(n.event, n.end(), func(p poll) bool { return p.volts < 0.6 && math.Abs(p.amperes-3) < 0.01 }) && n.all(0, n.event, held)
}

func off(n *night, _ *testing.T) bool {
	return n.all(n.event, n.end(), func(p poll) bool {
		return p.output == drivers.OutputOff && math.Abs(p.amperes) < 0.005 && p.mode == drivers.Unregulated
	})
}

// Each shipped night shows what it is named after, whatever the seed.
func TestSignatures(t *testing.T) {
	for _, name := range shipped(t) {
		look, ok := signatures[name]
		if !ok {
			t.Errorf("%s: no signature to look for", name)
			continue
		}
		t.Run(name, func(t *testing.T) {
			for _, seed := range []int64{1, 7}[:housetest.UnderRace(1, 2)] {
				if n := watch(t, name, seed); !look(n, t) {
					t.Errorf("seed %d: the night does not look like %s; refusals %v", seed, name, n.refusals())
				}
			}
		})
	}
}
