package drill_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

var evening = time.Date(2025, 11, 25, 18, 0, 0, 0, time.UTC)

// floorVolts is the thermodynamic floor of each cell: 1.23 V less the standard potential of the metal.
var floorVolts = map[string]float64{"Zn": 1.99, "Cu": 0.89}

// watcher is what the daemon does between a supply and a board, reduced to the least.
type watcher struct {
	supply *simulated.Instrument
	board  *alerts.Board
	poll   time.Duration
	target float64 // C; NaN without

	status            drivers.Status
	asked, good       time.Duration
	before            drivers.Reading
	charge, gapCharge float64
	begin             simulated.CellSetup
	metal             float64 // mol in the catholyte by the model
}

// cellOf returns the cell that a scenario begins with, before its spread.
func cellOf(s *simulated.Scenario) simulated.CellSetup {
	c := simulated.ZincCell()
	if s.Cell.Metal == "copper" {
		c = simulated.CopperCell()
	}
	if s.Cell.GramsPerL != nil {
		c.Concentration = *s.Cell.GramsPerL / c.Metal.MolarMass
	}
	if s.Cell.Litres != nil {
		c.Volume = *s.Cell.Litres * 1e-3
	}
	return c
}

// setting is what may differ from the usual supply and watch; nil fields leave it.
type setting struct {
	limits func(*alerts.Limits)
	meter  func(*simulated.ChannelSetup)
	poll   time.Duration // 0: five seconds
}

func newWatcher(t *testing.T, s *simulated.Scenario, seed int64, c setting) *watcher {
	t.Helper()
	channels := simulated.DefaultChannels()
	if c.meter != nil {
		c.meter(&channels[0])
	}
	supply, err := simulated.New(simulated.Setup{Now: func() time.Duration { return 0 }, Seed: seed, Scenario: s, Channels: channels})
	if err != nil {
		t.Fatal(err)
	}
	if c.poll == 0 {
		c.poll = 5 * time.Second
	}
	w := &watcher{supply: supply, poll: c.poll, target: math.NaN(), begin: cellOf(s), asked: -time.Hour}
	w.metal = w.begin.Concentration * w.begin.Volume
	l := alerts.Defaults()
	l.Poll = w.poll
	l.Amperes, l.Volts = 3.3, 7
	if c.limits != nil {
		c.limits(&l)
	}
	symbol := w.begin.Metal.Symbol
	w.board = alerts.NewBoard(l, alerts.Chemistry{
		Metal: symbol, FloorVolts: floorVolts[symbol], DepletionVisible: symbol == "Cu", RedissolvesOff: symbol == "Zn", Divided: true,
	})
	return w
}

// look polls once and judges.
func (w *watcher) look(at time.Duration) []alerts.Change {
	o := alerts.Blank(at, evening.Add(at))
	r, err := w.supply.Observe(1, at)
	back := err == nil && at-w.good > 3*w.poll
	if err == nil {
		if at-w.asked >= time.Minute || back || r.Output != w.before.Output || r.Mode != w.before.Mode || math.Abs(float64(r.Amperes-w.before.Amperes)) > 0.05 {
			if st, err := w.supply.ObserveStatus(1, at); err == nil {
				w.status, w.asked = st, at
			}
		}
		o.HasReading, o.Volts, o.Amperes = true, float64(r.Volts), float64(r.Amperes)
		o.Mode, o.Output = alerts.Mode(r.Mode), alerts.Output(r.Output)
		w.count(&o, r, at)
		w.before, w.good = r, at
	}
	o.Silence = at - w.good
	o.SetVolts, o.SetAmperes = float64(w.status.SetVolts), float64(w.status.SetAmperes)
	o.LimitAmperes = float64(w.status.LimitAmperes)
	o.Tripped = strings.Join(w.status.Tripped, ", ")
	o.Elapsed = at
	o.Charge, o.Target, o.PlanCharge = w.charge, w.target, 3*at.Seconds()
	o.ChargeUncertainty = 1e-3*w.charge + w.gapCharge/math.Sqrt(3)
	return w.board.Judge(&o)
}

// electrons per ion of zinc and of copper.
const electrons = 2

// count does the least of charge and bath that the alarms need: a trapezoid, and the
// drawdown by the planned efficiency.
func (w *watcher) count(o *alerts.Observation, r drivers.Reading, at time.Duration) {
	if at > 0 {
		step := at - w.good
		q := float64(r.Amperes+w.before.Amperes) / 2 * step.Seconds()
		w.charge += q
		w.metal -= 0.9 * q / (electrons * 96485.33212)
		if step > max(5*w.poll, 10*time.Second) {
			o.Gap = step
			w.gapCharge += q
		}
	}
	limiting := electrons * 96485.33212 * w.begin.Transfer * w.begin.Area * math.Max(w.metal, 0) / w.begin.Volume
	o.LimitingRatio = o.Amperes / math.Max(limiting, 1e-3)
}
