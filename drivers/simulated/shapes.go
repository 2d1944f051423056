package simulated

import (
	"math"
	"sort"
	"time"
)

// shape adds the course of one occurrence to the weather. Every course is a function of the time since the
// occurrence began, so it does not matter how often anybody looks.
func (o *occurrence) shape(w *weather, at time.Duration) {
	e := &o.event
	t := (at - o.from).Seconds()
	switch e.Kind {
	case "hard-short":
		w.ShortSiemens += 1 / e.Ohms
	case "whisker":
		if p, ok := o.pulse(at); ok { // thickens until it burns off: a sawtooth
			w.ShortSiemens += p.peak * fraction(p, at)
		}
	case "lead-off":
		w.LeadOhms = math.Inf(1)
	case "contact":
		w.LeadOhms += e.Ohms * ramp(t, e.Over) * (1 + e.Noise*o.flicker(at))
	case "evaporation":
		w.Evaporation *= e.Factor
	case "leak":
		w.Leak += e.LitresPerHour / 1e3 / 3600
	case "clogging":
		rise := t
		if g := e.Growth.seconds(); g > 0 {
			rise = g * (math.Exp(math.Min(t/g, 20)) - 1)
		}
		w.ExtraOhms += math.Min(e.OhmsPerHour/3600*rise, 100)
	case "passivation":
		w.AnodeVolts += given(e.Volts, 0) * approach(t, e.Over)
	case "stirrer-stop":
		a := approach(t, e.Over)
		w.Stirring *= 1 - (1-e.Factor)*a
		w.ExtraOhms += e.Ohms * a
		w.noise *= e.Noise
	case "heating":
		w.Heat += e.Watts
	case "room":
		w.Room += e.Kelvin * ramp(t, e.Over)
	case "impurity":
		w.Hydrogen += (e.Factor - 1) * ramp(t, e.Over)
	case "froth":
		if p, ok := o.pulse(at); ok {
			w.ExtraOhms += p.peak * fraction(p, at)
		}
	case "fold-back":
		w.fold *= e.Factor
	case "offset":
		w.offsetVolts += given(e.Volts, 0) * ramp(t, e.Over)
		w.offsetAmperes += given(e.Amperes, 0) * ramp(t, e.Over)
	}
}

// ramp rises evenly from 0 to 1 over a time.
func ramp(t float64, over Span) float64 {
	if s := over.seconds(); t < s {
		return t / s
	}
	return 1
}

// approach rises from 0 towards 1 with a time constant.
func approach(t float64, over Span) float64 {
	s := over.seconds()
	if s == 0 {
		return 1
	}
	return 1 - math.Exp(-t/s)
}

// pulse is the one that is in progress.
func (o *occurrence) pulse(at time.Duration) (pulse, bool) {
	n := sort.Search(len(o.pulses), func(n int) bool { return o.pulses[n].to > at })
	if n == len(o.pulses) || o.pulses[n].from > at {
		return pulse{}, false
	}
	return o.pulses[n], true
}

func fraction(p pulse, at time.Duration) float64 {
	return float64(at-p.from) / float64(p.to-p.from)
}

// flicker is a number from −1 to 1 that stays for two seconds: a contact that makes and breaks.
func (o *occurrence) flicker(at time.Duration) float64 {
	x := o.seed ^ uint64(at/(2*time.Second))*0x9e3779b97f4a7c15
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	x ^= x >> 31
	return float64(x>>11)/(1<<52) - 1
}
