package watch

import (
	"context"
	"errors"
	"math"
	"os"
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
	blind  atomic.Bool  // it shows no volts
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
	if m.blind.Load() {
		t.CellVolts = math.NaN()
	}
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
			named := 0 // lines that name a form
			watchtest.EachRecord(t, last.Run, func(r *runlog.Record) {
				if form, says := r.Integer("format"); says && form == 2 {
					named++
				}
			})
			if (named > 2) != (len(s.Meters) > 0) {
				t.Errorf("%d lines name the form", named)
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

// TestTheMeterBridgesALostLine: while the supply's line is lost for an hour, the charge goes on by the meter, without a gap; a kill before, in or
// after that hour costs the gap of the restart alone. The supply's silence is an alarm all the same, it is held against nobody as a fresh reading of
// the supply, and its loss is told once it is back.
func TestTheMeterBridgesALostLine(t *testing.T) {
	for _, kill := range []time.Duration{0, 59 * time.Minute, 90 * time.Minute, 2*time.Hour + time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			b, _, settings := metered(t, t.TempDir())
			c := New(settings, MachineOf(b.Clock))
			stop := watchtest.Start(t, c)
			began := time.Now()
			until := func(at time.Duration) {
				if kill > 0 && time.Since(began) < kill && kill < at {
					<-time.After(kill - time.Since(began))
					left := t.TempDir()
					if err := os.CopyFS(left, os.DirFS(settings.DataDir)); err != nil { // what a kill leaves behind
						t.Fatal(err)
					}
					if err := stop(); err != nil {
						t.Fatal(err)
					}
					settings.DataDir = left
					c = New(settings, MachineOf(b.Clock))
					stop = watchtest.Start(t, c)
				}
				<-time.After(at - time.Since(began))
			}
			until(time.Hour)
			before := c.Latest()
			b.Change(func() { b.Gone = true })
			until(119*time.Minute + time.Second)
			s := c.Latest()
			if err := agrees(s, b); err != nil || s.Charge.UncertaintyCoulombs > 0.01*s.Charge.CountedCoulombs {
				t.Error(kill, s.Charge.UncertaintyCoulombs, err)
			}
			if a, stands := watchtest.Standing(s, alerts.SupplySilent); !stands || a.Since.After(before.At.Add(time.Minute)) || kill == 0 && !strings.Contains(a.Text, "second meter shows 3.0") {
				t.Errorf("kill at %v: alarm %+v", kill, a)
			}
			if age := b.Clock.Now() - s.Reading.Mono; age < 58*time.Minute || !s.Reading.ByMeter {
				t.Errorf("the supply's newest reading is %v old", age)
			}
			if truly := b.Instrument.Truth(1).CellVolts; math.Abs(s.Reading.Volts-truly) > 0.02 { // the leads take 60 mV
				t.Errorf("kill at %v: %.4f V by the meter alone, truly %.4f V", kill, s.Reading.Volts, truly)
			}
			if s.Safe || s.Reading.Output != drivers.OutputUnknown || s.At.Sub(s.Reading.At) > 5*time.Second {
				t.Errorf("safe %v, output %v, a reading of %v", s.Safe, s.Reading.Output, s.Reading.At)
			}
			replayed(t, s)
			until(2 * time.Hour)
			b.Change(func() { b.Gone = false })
			until(121 * time.Minute)
			if a, _ := watchtest.Standing(c.Latest(), alerts.SupplySilent); a.State.Active() {
				t.Errorf("alarm %+v", a)
			}
			until(3 * time.Hour)
			s = c.Latest()
			if err := agrees(s, b); err != nil {
				t.Error(kill, err)
			}
			if by := s.Charge.MeterCoulombs / s.Charge.ObservedCoulombs; by < 0.99 || kill == 0 && (s.Charge.Gaps > before.Charge.Gaps) {
				t.Errorf("kill at %v: %.4f of the charge by the meter, %d gaps", kill, by, s.Charge.Gaps)
			}
			if all := active(s); all != nil {
				t.Errorf("kill at %v: alarms %+v", kill, all)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
				if out := kill > time.Hour && kill < 2*time.Hour; r.Kind == runlog.KindGap && r.Flag("line_lost") != out {
					t.Errorf("kill at %v: gap %+v", kill, r) // the supply may have lost its power while nobody watched
				}
				if own := r.Supply; r.Kind == runlog.KindReading && own.Silent && (math.Abs(float64(own.Amperes)-3.06) > 0.02 || !own.Metered || !own.AtCell) {
					t.Errorf("kill at %v: %+v", kill, r)
				}
			})
			replayed(t, c.Latest())
		})
	}
}

// garbled is a supply that answers what cannot be read while it says so.
type garbled struct {
	drivers.Supply
	now *atomic.Bool
}

func (g garbled) Poll(ctx context.Context) (drivers.Reading, error) {
	if g.now.Load() {
		return drivers.Reading{}, &drivers.Refusal{Reason: drivers.NotNumeric, Query: "MEAS:CURR?", Answer: "?"}
	}
	return g.Supply.Poll(ctx)
}

// TestAnInterruptionThatTheMeterSaw: while the supply's answers are garbled the current is gone for some seconds, by the meter. The line was never lost,
// but a straight line between the currents before and after would pretend that nothing happened.
func TestAnInterruptionThatTheMeterSaw(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		settings.Count.GapAfter = time.Minute
		var now atomic.Bool
		c := New(settings, MachineOf(b.Clock))
		open := c.link.open
		c.link.open = func(ctx context.Context, noted Noted) (drivers.Supply, error) {
			s, err := open(ctx, noted)
			return garbled{s, &now}, err
		}
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		now.Store(true)
		<-time.After(30 * time.Second)
		m.off.Store(-100)
		<-time.After(15 * time.Second)
		m.off.Store(0)
		<-time.After(30 * time.Second)
		now.Store(false)
		<-time.After(time.Minute)
		if s := c.Latest(); s.Charge.Gaps != 1 || s.Charge.GapHighCoulombs < 3*35 || s.Charge.GapLowCoulombs > 0 {
			t.Errorf("%+v", s.Charge)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		replayed(t, c.Latest())
	})
}

// TestTheMeterIsNoWitnessWithoutCurrent: the supply loses its power, and its line with it, for ten seconds or for ten minutes. The meter sees the
// current go, as it would if a wire fell off the shunt, so the time without it is a gap that may hold nothing or all.
func TestTheMeterIsNoWitnessWithoutCurrent(t *testing.T) {
	for lasts, back := range map[string]time.Duration{"9 s": 20 * time.Second, "10 min": 12 * time.Minute} {
		synctest.Test(t, func(t *testing.T) {
			b, _, settings := metered(t, t.TempDir(), "[[event]]\nat = \"1 h\"\nkind = \"mains-cut\"\nlasts = \""+lasts+"\"\nback = \"last\"\n")
			settings.Count.GapAfter = time.Minute
			c := New(settings, MachineOf(b.Clock))
			stop := watchtest.Start(t, c)
			<-time.After(time.Hour - time.Second)
			b.Change(func() { b.Gone = true })
			<-time.After(back)
			b.Change(func() { b.Gone = false })
			<-time.After(5 * time.Minute)
			s := c.Latest()
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			width := s.Charge.GapHighCoulombs - s.Charge.GapLowCoulombs
			if s.Charge.Gaps != 1 || s.Charge.GapLowCoulombs != 0 || width < 3*(back-5*time.Second).Seconds() {
				t.Errorf("%s: %+v", lasts, s.Charge)
			}
			watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
				if r.Kind == runlog.KindGap && !r.Flag("line_lost") {
					t.Errorf("%s: gap %+v", lasts, r)
				}
				if r.Kind == runlog.KindReading && r.Supply.Silent && r.Amperes < 2.9 {
					t.Errorf("%s: counted %+v", lasts, r)
				}
			})
			replayed(t, s)
		})
	}
}

// TestTheMeterAloneIsHeldAgainstTheLimits: a current that rises while the supply is out of reach is an alarm by the meter, and a meter that goes
// silent too leaves that standing, and a gap.
func TestTheMeterAloneIsHeldAgainstTheLimits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		settings.Limits.Amperes = 3.3
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour)
		volts := c.Latest().Reading.Volts
		m.blind.Store(true)
		b.Change(func() { b.Gone = true })
		<-time.After(10 * time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.OverCurrent); stands {
			t.Errorf("alarm %+v", a)
		}
		if now := c.Latest().Reading.Volts; math.Abs(now-volts) > 0.01 { // held, with what the leads take off already
			t.Errorf("%.4f V are held, %.4f V were the last", now, volts)
		}
		m.blind.Store(false)
		m.off.Store(20)
		<-time.After(10 * time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.OverCurrent); !stands || !strings.HasPrefix(a.Text, "3.601 A is above the limit of 3.3 A") {
			t.Errorf("alarm %+v", a)
		}
		m.silent.Store(true)
		<-time.After(10 * time.Minute)
		if a, _ := watchtest.Standing(c.Latest(), alerts.OverCurrent); !a.State.Active() {
			t.Errorf("alarm %+v", a)
		}
		m.off.Store(0)
		m.silent.Store(false)
		<-time.After(10 * time.Minute)
		if a, _ := watchtest.Standing(c.Latest(), alerts.OverCurrent); a.State.Active() {
			t.Errorf("alarm %+v", a)
		}
		b.Change(func() { b.Gone = false })
		<-time.After(10 * time.Minute)
		if s := c.Latest(); s.Charge.Gaps != 1 || s.Charge.GapSeconds > 620 || s.Charge.GapHighCoulombs-s.Charge.GapLowCoulombs < 3*590 {
			t.Errorf("the ten minutes that neither saw: %+v", s.Charge)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		replayed(t, c.Latest())
	})
}

// TestAShortLossIsToldWithoutAGap: the supply is lost for less than is called silent, on a meter that shows no volts: no gap, a word of it, and
// energy in doubt for as long as nobody knew the volts.
func TestAShortLossIsToldWithoutAGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m, settings := metered(t, t.TempDir())
		m.blind.Store(true)
		settings.Meters[0].Volts = false
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		before := c.Latest().Charge
		b.Change(func() { b.Gone = true })
		<-time.After(11 * time.Second)
		b.Change(func() { b.Gone = false })
		<-time.After(5 * time.Second)
		for c.Latest().Reading.Output != drivers.OutputOn {
			<-time.After(time.Second)
		}
		s := c.Latest()
		if a, _ := watchtest.Standing(s, alerts.LineLost); !strings.Contains(a.Text, "and regained; the second meter counted meanwhile") {
			t.Errorf("alarm %+v", a)
		}
		if err := agrees(s, b); err != nil || s.Charge.Gaps != 0 {
			t.Error(s.Charge.Gaps, err)
		}
		// Some 15 to 30 s of 3 A at 3.2 V, known to 20 %.
		grown := math.Sqrt(s.Charge.EnergyUncertainty*s.Charge.EnergyUncertainty - before.EnergyUncertainty*before.EnergyUncertainty)
		if least := 0.2 / math.Sqrt(3) * 3 * 3.2 * 10; grown < least {
			t.Errorf("energy ± %g J, before %g J", s.Charge.EnergyUncertainty, before.EnergyUncertainty)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		replayed(t, s)
	})
}

// TestLikeWithLikeAfterARestart: of a supply that tells no set-points, the current before and after a restart is evidence, by the same ammeter: the
// meter has counted before, is silent after, and shows less than the supply by more than a changed current would be told from.
func TestLikeWithLikeAfterARestart(t *testing.T) {
	for _, how := range []string{"stopped", "killed", "stopped twice"} {
		synctest.Test(t, func(t *testing.T) {
			b, m, settings := metered(t, t.TempDir())
			m.off.Store(-5)
			b.Tell = func(st *drivers.Status) {
				st.SetAmperes, st.SetVolts = drivers.Amperes(math.NaN()), drivers.Volts(math.NaN())
			}
			watched := func(d time.Duration) (c *Cell, stop func() error) {
				c = New(settings, MachineOf(b.Clock))
				stop = watchtest.Start(t, c)
				<-time.After(d)
				return c, stop
			}
			_, stop := watched(30*time.Minute + time.Second)
			b.Instrument.Handle([]byte("CURR 2.5\n"))
			<-time.After(20 * time.Second)
			left := t.TempDir()
			if err := os.CopyFS(left, os.DirFS(settings.DataDir)); err != nil {
				t.Fatal(err)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			m.silent.Store(true)
			switch how {
			case "killed":
				settings.DataDir = left
			case "stopped twice": // of the newest reading its checkpoints alone are left
				b.Change(func() { b.Gone = true })
				for range 2 {
					if _, stop := watched(time.Second); stop() != nil {
						t.Fatal("it does not stop")
					}
				}
				b.Change(func() { b.Gone = false })
			}
			<-time.After(10 * time.Minute)
			c, stop := watched(10 * time.Minute)
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			restarts := 0
			watchtest.EachRecord(t, c.Latest().Run, func(r *runlog.Record) {
				if r.Kind == runlog.KindGap && r.Flag("restarted") {
					if restarts++; !r.Flag("unchanged") {
						t.Errorf("%s: gap %+v", how, r)
					}
				}
			})
			if restarts != 1 {
				t.Errorf("%s: %d gaps", how, restarts)
			}
		})
	}
}

// TestTheSupplyTellsMoreOfARestart: a watch that comes back while the supply does not answer at once waits for it with the gap, because set-points are
// better evidence than a current.
func TestTheSupplyTellsMoreOfARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _, settings := metered(t, t.TempDir())
		stop := watchtest.Start(t, New(settings, MachineOf(b.Clock)))
		<-time.After(10 * time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		b.Change(func() { b.Gone = true })
		<-time.After(10 * time.Minute)
		c := New(settings, MachineOf(b.Clock))
		stop = watchtest.Start(t, c)
		<-time.After(7 * time.Second)
		b.Change(func() { b.Gone = false })
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		watchtest.EachRecord(t, c.Latest().Run, func(r *runlog.Record) {
			if r.Kind == runlog.KindGap && (r.Flag("line_lost") || !r.Flag("unchanged")) || r.Kind == runlog.KindReading && r.Supply.Silent {
				t.Errorf("%+v", r)
			}
		})
	})
}

// TestTheTargetIsReachedByTheMeter: while the supply is out of reach the target is reached. The off is tried and cannot be verified, which is an alarm
// of the highest priority hours before the supply is back; then it is switched off.
func TestTheTargetIsReachedByTheMeter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _, settings := metered(t, t.TempDir())
		settings.May.Off, settings.AtTarget = true, alerts.Off
		b.May = func() alerts.Permission { return settings.May }
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		target := time.Duration(c.Latest().Charge.TargetCoulombs / 3 * float64(time.Second))
		<-time.After(target - 40*time.Minute)
		b.Change(func() { b.Gone = true })
		untilShown(t, c, time.Hour, "an off that nobody confirms", stands(alerts.OffFailed))
		s := c.Latest()
		if err := agrees(s, b); err != nil || !s.Charge.TargetReached || !s.Reading.ByMeter || s.Charge.Gaps != 0 {
			t.Errorf("%+v, %v", s.Charge, err)
		}
		b.Change(func() { b.Gone = false })
		untilShown(t, c, 2*time.Minute, "off", func(s *snapshot.Cell) bool { return s.Ended && s.OffVerified })
		s = c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if err := within2u(s, b.Instrument.Truth(1).Charge); err != nil {
			t.Error(err)
		}
		replayed(t, s)
	})
}

// TestTheMeterCountsFromTheBegin: however long the watch has waited for current, the first readings of the run have the meter's.
func TestTheMeterCountsFromTheBegin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, _, settings := metered(t, t.TempDir())
		b.Instrument.Handle([]byte("OUTP OFF\n"))
		c := New(settings, MachineOf(b.Clock))
		stop := watchtest.Start(t, c)
		<-time.After((mostTold+10)*settings.Poll + time.Second)
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		n := 0
		watchtest.EachRecord(t, c.Latest().Run, func(r *runlog.Record) {
			if n++; r.Kind == runlog.KindReading && r.Amperes > 1 && !r.Supply.Metered {
				t.Errorf("line %d: %+v", n, r)
			}
		})
		if n < 10 {
			t.Errorf("%d lines", n)
		}
	})
}

// TestTheSilenceGoesOnOverARestart: the alarm of a silent supply stands through a restart while the meter counts alone.
func TestTheSilenceGoesOnOverARestart(t *testing.T) {
	for _, rest := range []time.Duration{time.Second, 10 * time.Minute} { // until the stop, with readings after the last checkpoint or without
		synctest.Test(t, func(t *testing.T) {
			b, _, settings := metered(t, t.TempDir())
			c := New(settings, MachineOf(b.Clock))
			stop := watchtest.Start(t, c)
			<-time.After(10 * time.Minute)
			b.Change(func() { b.Gone = true })
			untilShown(t, c, 5*time.Minute, "the supply is silent", stands(alerts.SupplySilent))
			for range 2 {
				<-time.After(rest)
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				c = New(settings, MachineOf(b.Clock))
				stop = watchtest.Start(t, c)
				<-time.After(time.Minute)
				if a, ok := watchtest.Standing(c.Latest(), alerts.SupplySilent); !ok || !a.State.Active() {
					t.Errorf("%v: %+v", rest, a)
				}
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			watchtest.EachRecord(t, c.Latest().Run, func(r *runlog.Record) {
				if r.Kind == runlog.KindAlarm && r.Condition == alerts.SupplySilent.String() && r.Text("state") != alerts.UNACK.String() {
					t.Errorf("%v: %+v", rest, r)
				}
			})
		})
	}
}
