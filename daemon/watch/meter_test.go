package watch

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// multimeter measures the truth of a bench's cell: the current over a shunt of 10 mΩ that is as good as stated, the volts behind leads of 20 mΩ.
type multimeter struct {
	b      *watchtest.Bench
	silent atomic.Bool
	off    atomic.Int64 // percent by which its current is wrong
	lift   atomic.Int64 // V by which it shows too much
}

const leadOhms = 0.02 // simulated cell.Healthy

func (m *multimeter) Poll(ctx context.Context) (scpi.Measured, error) {
	if err := drivers.Rest(ctx, 20*time.Millisecond); err != nil {
		return scpi.Measured{}, err
	}
	if m.silent.Load() {
		return scpi.Measured{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "MEAS:VOLT:DC?"}
	}
	t := m.b.Instrument.Truth(1)
	return scpi.Measured{
		At: m.b.Clock.Now(), Current: 0.01 * (t.Amperes*(1+float64(m.off.Load())/100) + 0.0005), Volts: t.CellVolts + 0.0008 + float64(m.lift.Load()), Temperature: math.NaN(),
	}, nil
}

func (m *multimeter) Identify(context.Context) (drivers.Identity, error) {
	return drivers.Identity{Maker: "EXAMPLE", Model: "DM-6"}, nil
}
func (m *multimeter) Close() error { return nil }

const meterTable = `
[meter.shunt]
port = "/dev/null2"
current_query = "MEAS:VOLT:DC?"
voltage_query = "MEAS:VOLT:DC? (@2)"
shunt = "10 mohm ± 0.005 mohm"
[meter.shunt.accuracy]
current_gain = "0.02 %"
current_offset = "10 uV"
voltage_gain = "0.01 %"
voltage_offset = "1 mV"
`

// metered is the watch over the demonstration's cell whose supply shows a current of 2 % too much and states 3 %, with a second meter.
func metered(t *testing.T, dir string, events ...string) (*watchtest.Bench, *multimeter, Settings) {
	t.Helper()
	b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
	channels := simulated.DefaultChannels()
	channels[0].Readback.AmpereGain = 0.02
	scenario, err := simulated.ParseScenario("live", []byte(watchtest.Live+strings.Join(events, "")))
	if err != nil {
		t.Fatal(err)
	}
	if b.Instrument, err = simulated.New(simulated.Setup{Clock: b.Clock, Seed: 1, Scenario: scenario, Channels: channels}); err != nil {
		t.Fatal(err)
	}
	cfg, err := watchtest.Zinc(dir, `meters = ["shunt"]`, `recover = "68 %"`, meterTable)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Supplies[0].Accuracy.GainRelative = 0.03
	m := &multimeter{b: b}
	s := cellOf(t, b, cfg).settings
	s.Instruments[0].Open = func(context.Context) (Asked, error) { return m, nil }
	return b, m, s
}

// replayed says whether the log of a run gives what the watch has counted, to the bit.
func replayed(t *testing.T, s *snapshot.Cell) {
	t.Helper()
	report, err := runlog.ReplayFile(s.Run)
	if err != nil || !report.Sound() || report.Totals.Charge != s.Charge.CountedCoulombs || report.Totals.StandardUncertainty != s.Charge.UncertaintyCoulombs ||
		report.Totals.MeterCharge != s.Charge.MeterCoulombs || report.Totals.Leads != s.Charge.Leads || report.Totals.Budget != s.Charge.Budget {
		t.Errorf("replay: %+v, %v; live %+v", report, err, s.Charge)
	}
}

// agrees is within2u at the newest reading, which is up to a poll old.
func agrees(s *snapshot.Cell, b *watchtest.Bench) error {
	truth := b.Instrument.Truth(1)
	return within2u(s, truth.Charge-truth.Amperes*b.Clock.UTC().Sub(s.Reading.At).Seconds())
}

// active are the alarms whose conditions hold.
func active(s *snapshot.Cell) (all []alerts.Alarm) {
	for _, a := range s.Alarms {
		if a.State.Active() && !a.State.Hidden() {
			all = append(all, a)
		}
	}
	return all
}

// TestTheMeterCounts: the charge is the meter's, far better than the supply's 2 %; while it is silent for an hour the supply counts, which the
// budget says; a kill in either state changes nothing.
func TestTheMeterCounts(t *testing.T) {
	for _, kill := range []time.Duration{0, 30 * time.Minute, 90 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			b, m, settings := metered(t, t.TempDir())
			c := New(settings, MachineOf(b.Clock))
			stop := watchtest.Start(t, c)
			began := time.Now()
			until := func(at time.Duration) { <-time.After(at - time.Since(began)) }
			restart := func(at time.Duration) {
				if kill != at {
					return
				}
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				c = New(settings, MachineOf(b.Clock))
				stop = watchtest.Start(t, c)
				<-time.After(12 * time.Second)
			}
			until(30 * time.Minute)
			restart(30 * time.Minute)
			until(time.Hour)
			s := c.Latest()
			if err := agrees(s, b); err != nil || s.Charge.UncertaintyCoulombs > 0.003*s.Charge.CountedCoulombs {
				t.Error(s.Charge.UncertaintyCoulombs, err)
			}
			if by := s.Charge.MeterCoulombs / s.Charge.CountedCoulombs; by < 0.98 {
				t.Errorf("%.4f of the charge by the meter", by)
			}
			if l := s.Charge.Leads; math.Abs(l.Ohms-leadOhms) > 2*l.StandardUncertainty || l.StandardUncertainty > 0.006 {
				t.Errorf("leads of %+v", l)
			}
			if all := active(s); all != nil {
				t.Errorf("alarms %+v", all)
			}
			replayed(t, s)
			volts := s.Reading.Volts

			m.silent.Store(true)
			until(61 * time.Minute)
			if a, stands := watchtest.Standing(c.Latest(), alerts.MeterSilent); !stands || !strings.Contains(a.Text, "meter shunt (MEAS:VOLT:DC?") || !strings.Contains(a.Text, "supply's readings count") {
				t.Errorf("alarm %+v", a)
			}
			if now := c.Latest().Reading.Volts; math.Abs(now-volts) > 0.02 { // the leads take 60 mV
				t.Errorf("the cell voltage steps from %.4f to %.4f V as the meter falls silent", volts, now)
			}
			until(90 * time.Minute)
			restart(90 * time.Minute)
			until(2 * time.Hour)
			s = c.Latest()
			if err := agrees(s, b); err != nil {
				t.Error(err)
			}
			// 3 A for an hour, wrong by 2 %, of which the maker allows 3 % as a half-width.
			if u := s.Charge.Budget.Gain / (0.03 / math.Sqrt(3) * 3 * 3600); u < 0.99 || u > 1.05 {
				t.Errorf("%+v: %.3f of what an hour by the supply brings", s.Charge.Budget, u)
			}
			replayed(t, s)

			m.silent.Store(false)
			until(3 * time.Hour)
			s = c.Latest()
			if err := agrees(s, b); err != nil {
				t.Error(err)
			}
			if all := active(s); all != nil {
				t.Errorf("alarms %+v", all)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			replayed(t, c.Latest())
		})
	}
}

// TestMetersThatDisagree: a shunt that is not as configured shows beside the supply, with both figures, and is over once it is.
func TestMetersThatDisagree(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		m.off.Store(-5) // and the supply shows 2 % too much, of which it states 3 %
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Minute, "both figures", stands(alerts.MeterDisagrees))
		a, _ := watchtest.Standing(c.Latest(), alerts.MeterDisagrees)
		for _, want := range []string{"The meter shows 2.85", "the supply 3.06", "apart"} {
			if !strings.Contains(a.Text, want) {
				t.Errorf("%q lacks %q", a.Text, want)
			}
		}
		m.off.Store(0)
		untilShown(t, c, 5*time.Minute, "over", func(s *snapshot.Cell) bool {
			a, stands := watchtest.Standing(s, alerts.MeterDisagrees)
			return !stands || !a.State.Active()
		})
		m.lift.Store(1) // more than the supply gives, which no cell has
		untilShown(t, c, 5*time.Minute, "volts above the supply's", func(s *snapshot.Cell) bool {
			a, _ := watchtest.Standing(s, alerts.MeterDisagrees)
			return a.State.Active() && strings.Contains(a.Text, " V and the supply ")
		})
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAMeterThatComesLater: an open run goes on with a meter that it did not begin with, and its log says so.
func TestAMeterThatComesLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _, settings := metered(t, t.TempDir())
		without := settings
		without.Instruments, without.Meters, without.Count.Meter = nil, nil, run.Settings{}.Count.Meter
		for _, s := range []Settings{without, settings} {
			c := New(s, MachineOf(b.Clock))
			stop := watchtest.Start(t, c)
			<-time.After(30 * time.Minute)
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			last := c.Latest()
			if err := agrees(last, b); err != nil {
				t.Error(err)
			}
			if (last.Charge.MeterCoulombs > 0) != (len(s.Meters) > 0) {
				t.Errorf("%.1f C by the meter", last.Charge.MeterCoulombs)
			}
			replayed(t, last)
		}
	})
}

// TestLimitsHoldForTheSupplyToo: a meter that shows too little hides no current above the limit.
func TestLimitsHoldForTheSupplyToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		m.off.Store(-30)
		settings.Limits.Amperes = 2.9 // of 3 A
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Minute, "over-current by the supply", stands(alerts.OverCurrent))
		if a, _ := watchtest.Standing(c.Latest(), alerts.OverCurrent); !strings.Contains(a.Text, "3.06 A is above") {
			t.Errorf("%q", a.Text)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestSwappedWiresAtTheShunt: a charge that runs backwards is never counted; the supply's is, and the alarm says what to do.
func TestSwappedWiresAtTheShunt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		m.off.Store(-200)
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		s := c.Latest()
		if a, stands := watchtest.Standing(s, alerts.MeterSilent); !stands || !strings.Contains(a.Text, "swap the two wires") {
			t.Errorf("alarm %+v", a)
		}
		if err := agrees(s, b); err != nil || s.Charge.MeterCoulombs != 0 {
			t.Error(s.Charge.MeterCoulombs, err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAClipOutsideTheSenseWires: the volts at the cell show nothing of a joint that heats between them and the supply; the leads do.
func TestAClipOutsideTheSenseWires(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const clip = "[[event]]\nat = \"3 h\"\nkind = \"contact\"\nohms = 0.1\nover = \"2 h\"\nnoise = 0\n"
		b, _, settings := metered(t, t.TempDir(), clip)
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		heats := func(s *snapshot.Cell) bool {
			a, _ := watchtest.Standing(s, alerts.Contact)
			return a.State.Active()
		}
		<-time.After(3 * time.Hour)
		if heats(c.Latest()) {
			t.Error("a sound clip")
		}
		untilShown(t, c, time.Hour, "the leads", heats)
		s := c.Latest()
		if a, _ := watchtest.Standing(s, alerts.Contact); !strings.Contains(a.Text, "voltage drop in the leads up by 0.1") || !strings.Contains(a.Text, "Most likely: a clip or joint") {
			t.Errorf("%q", a.Text)
		}
		if s.Charge.Leads.Ohms > 0.05 {
			t.Errorf("the run's leads: %+v", s.Charge.Leads)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestOfTwoMeters: what is wrong with one is not told of the other.
func TestOfTwoMeters(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _, settings := metered(t, t.TempDir())
		settings.Meters = append(settings.Meters, run.Meter{Name: "bath", Temperature: true})
		settings.Instruments = append(settings.Instruments, Instrument{Name: "bath", Open: func(context.Context) (Asked, error) {
			return nil, errors.New("nobody is there")
		}})
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		untilShown(t, c, time.Hour, "the second is silent", stands(alerts.MeterSilent))
		if a, _ := watchtest.Standing(c.Latest(), alerts.MeterSilent); !strings.Contains(a.Text, "bath (nobody is there)") {
			t.Errorf("%q", a.Text)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestASenseWireThatIsOff: volts at the cell that the leads cannot explain are not counted, so no short is seen; the alarm says what to look for.
func TestASenseWireThatIsOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		before := c.Latest()
		m.lift.Store(-4)
		<-time.After(10 * time.Minute)
		s := c.Latest()
		if a, stands := watchtest.Standing(s, alerts.MeterSilent); !stands || !strings.Contains(a.Text, "a sense wire that is off") {
			t.Errorf("alarm %+v", a)
		}
		if _, stands := watchtest.Standing(s, alerts.HardShort); stands || s.Bath.DepositGrams < 1.8*before.Bath.DepositGrams {
			t.Errorf("a short: %v; %g g are won, and were %g g half the time ago", stands, s.Bath.DepositGrams, before.Bath.DepositGrams)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
