package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/ledger"
	"nightcell/daemon/metrics"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
	"os"
	"path/filepath"
	"time"
)

// Settings is all that the watch over one cell needs; quantities are SI.
type Settings struct {
	run.Settings
	Open Opener
	// Instruments are the second meters of the cell, in the order of Settings.Meters.
	Instruments []Instrument
	Identity    string        // *IDN? must begin with this; empty: whoever answers first
	Patience    time.Duration // machine time that opening and the first questions may take; at least 5 s
	MostVolts   drivers.Volts // that the supply can put out; NaN when not stated
	OnStop      alerts.Act    // what becomes of a live output when the watch is stopped
	Observe     metrics.Observer

	stated  []byte // the frozen configuration as it is written; nil: of a watch without a configuration
	taught  []byte // with the efficiency that earlier runs gave, before what is left in the bath stands in it
	learned bool   // efficiency.learned is set
	pupil   books.Pupil
}

// SettingsOf turns one cell of the configuration into what its watch needs.
func SettingsOf(cfg *configs.Config, cell *configs.Cell, rack *scpi.Rack, clock drivers.Clock, log *slog.Logger) (Settings, error) {
	supply, channels := cfg.Supply(cell.Supply), float64(len(cell.Channels()))
	orders, err := written(cfg, cell)
	if err != nil {
		return Settings{}, fmt.Errorf("cell %s: freezing its configuration: %w", cell.Name, err)
	}
	s := Settings{
		Settings: run.Settings{
			Cell: cell.Name, Supply: supply.Name, Poll: cell.Poll, Sync: cell.Sync, Count: cell.Coulometer(supply, cfg.MetersOf(cell)...),
			MostAmperes: drivers.Amperes(supply.RangeAmperes * channels), AirStated: configs.SI(cell.States.Airflow), AirNeededPerAmpere: math.NaN(),
			DataDir: cfg.Data, Log: log, Chemistry: alerts.Chemistry{FloorVolts: math.NaN()},
		},
		Identity: supply.Identity, Open: opener(supply, cell, rack, clock), Patience: supply.FirstContact() * time.Duration(channels), MostVolts: drivers.Volts(supply.RangeVolts / float64(cell.Series)),
	}
	for _, m := range cfg.MetersOf(cell) {
		s.Instruments = append(s.Instruments, instrument(m, rack, clock))
		s.Meters = append(s.Meters, run.Meter{Name: m.Name, Kelvin: m.Kelvin, Amperes: m.Queries.Current != "", Volts: m.Queries.Voltage != "", Temperature: m.Queries.Temperature != ""})
	}
	s.takeOrders(orders)
	if !s.goOn() {
		if told := s.fill(clock.UTC()); told != "" {
			log.Warn("bath", "cell", cell.Name, "said", told)
		}
	}
	if s.Plan != nil {
		s.learnChemistry(cell, s.Plan)
	}
	return s, nil
}

// fill takes the bath from its ledger, else as the configuration states it. It returns what somebody should know of that.
func (s *Settings) fill(utc time.Time) (told string) {
	if s.taught == nil {
		return ""
	}
	c, err := ledger.Continue(s.DataDir, s.taught, s.Cell, utc, ledgerWait)
	if told = c.Told; err != nil {
		told = fmt.Sprintf("the bath is taken as the configuration states it: %v", err)
	}
	s.take(&c)
	return told
}

// goOn takes the bath as the open run of the cell began with it, and says whether there is one.
func (s *Settings) goOn() bool {
	dir, ended, err := runlog.LatestRun(s.DataDir, s.Cell)
	if s.taught == nil || err != nil || ended {
		return false
	}
	c, err := ledger.GoOn(dir, s.taught, s.Cell)
	if err != nil {
		s.Log.Warn("the open run goes on with the bath as the configuration states it", "cell", s.Cell, "run", dir, "err", err)
	}
	s.take(&c)
	return true
}

func (s *Settings) take(c *ledger.Continued) {
	s.Frozen, s.Left = s.taught, c.Left
	if s.Plan = c.Plan; c.Plan != nil {
		s.Frozen, s.BathAtBegin = c.Frozen, c.Plan.Model.State()
	}
}

// learn takes what earlier runs gave, where the configuration asks for that. It reads runs that have ended since it was called last, so that it is
// called while no current flows; at the beginning of a run it finds little to do.
func (s *Settings) learn() {
	if !s.learned {
		return
	}
	cfg, err := configs.Parse(runlog.FrozenName, s.stated)
	if err == nil {
		var l books.Lesson
		if cfg, l, err = s.pupil.Taught(cfg, s.Cell); err == nil {
			s.Log.Info("learned from earlier runs", "cell", s.Cell, "runs", l.Runs, "weighed_or_assayed", l.Efficiency.Runs, "efficiency_ratio", l.Efficiency.Figure.Value)
			s.taught, err = cfg.Frozen(s.Cell)
		}
	}
	if err != nil {
		s.Log.Warn("the efficiency is as the configuration states it", "cell", s.Cell, "err", err)
	}
}

// goingOn is the configuration with what earlier runs had taught when the open run of a cell began, by its frozen configuration.
func goingOn(cfg *configs.Config, cell *configs.Cell) *configs.Config {
	dir, ended, err := runlog.LatestRun(cfg.Data, cell.Name)
	if err != nil || ended || !cell.Efficiency.Learned {
		return cfg
	}
	frozen, err := os.ReadFile(filepath.Join(dir, runlog.FrozenName))
	if as, wrong := cfg.TaughtAs(cell.Name, frozen); err == nil && wrong == nil {
		return as
	}
	return cfg
}

// ledgerWait is how long the beginning of a run waits for who writes into a ledger.
const ledgerWait = time.Second

// learnChemistry fills in what follows from metal, medium and cell.
func (s *Settings) learnChemistry(cell *configs.Cell, plan *bath.Plan) {
	m := plan.Metal
	stop := m.Stop(plan.Medium)
	s.Chemistry.Metal, s.Chemistry.AtRest = m.Element.Name, stop.Why
	s.Chemistry.DepletionVisible = m.Depletion.Visible
	s.Chemistry.RedissolvesOff = stop.State != matter.Off
	s.Chemistry.Divided, s.Chemistry.HoldsVolts = cell.Divided(), cell.States.HoldsVolts
	if t := m.Interrupt.Tolerance; t.Known() {
		s.Chemistry.InterruptionLimit = time.Duration(t.Value * float64(time.Second))
		s.Chemistry.SpoiledByPause = t.Value < 60
	}
	s.WaterGramsPerCoulomb = matter.MolarMassH2O / 2 / matter.Faraday * 1e3 // all of the charge makes oxygen, unless more is known
	a, err := electrolysis.Assess(cell.Conditions(plan, s.Limits.Amperes))
	if err != nil {
		return // without areas or currents there is nothing to judge gas and floor by; the watch does without
	}
	if a.Floor.Any > 0 {
		s.Chemistry.FloorVolts = a.Floor.Any
	}
	amperes := a.Conditions.Current.Value
	s.Gas = "hydrogen"
	s.AirNeededPerAmpere = a.Air.Needed.Value / amperes
	for _, g := range a.Gas {
		if g.Gas == electrolysis.Hydrogen || g.Possible {
			continue
		}
		s.AnodeGas = g.Gas.String()
		s.AnodeLitresPerAmpereHour = g.Worst.Value / amperes * 3.6e6
		s.Chemistry.ChlorineAtAnode = g.Gas == electrolysis.Chlorine
	}
	s.WaterGramsPerCoulomb = a.Water.Split.Value * 1e3 / a.Conditions.Charge.Value
	s.AcidName, _ = electrolysis.AcidOf(a.Conditions.AnolyteMedium)
	if mass := a.Acid.AnolyteMass.Value; mass > 0 && s.Chemistry.Divided {
		s.AcidGramsPerCoulomb = mass * 1e3 / a.Conditions.Charge.Value
	} else if a.Acid.BathMass.Known() {
		s.AcidGramsPerCoulomb = a.Acid.BathMass.Value * 1e3 / a.Conditions.Charge.Value
	}
}

// opener opens the channels of a cell; all cells of a supply share its line through the rack.
func opener(s *configs.Supply, cell *configs.Cell, rack *scpi.Rack, clock drivers.Clock) Opener {
	return func(ctx context.Context, noted Noted) (drivers.Supply, error) {
		var channels []drivers.Supply
		for _, n := range cell.Channels() {
			settings := s.Settings(n, math.NaN()) // an alarm limit is no bound: readings above it must count and alarm
			settings.Noted = noted
			c, err := rack.Open(ctx, settings, clock)
			if err != nil {
				return nil, errors.Join(err, drivers.NewBank(channels, 1).Close())
			}
			channels = append(channels, c)
		}
		if len(channels) == 1 && cell.Series == 1 {
			return channels[0], nil
		}
		return drivers.NewBank(channels, cell.Series), nil
	}
}

// Orders are what a reload of the configuration changes of a cell.
type Orders struct {
	cell   *configs.Cell
	stated []byte // the frozen configuration
	taught []byte // with what earlier runs gave, of the open run
	frozen []byte // likewise, and going on from its ledger
}

// written are the orders for a cell before what is left in its bath stands in them.
func written(cfg *configs.Config, cell *configs.Cell) (*Orders, error) {
	stated, err := cfg.Frozen(cell.Name)
	if err != nil {
		return nil, err
	}
	taught, err := goingOn(cfg, cell).Frozen(cell.Name)
	return &Orders{cell, stated, taught, taught}, err
}

// OrdersOf prepares the orders for a cell of a configuration.
func OrdersOf(cfg *configs.Config, cell *configs.Cell) (*Orders, error) {
	o, err := written(cfg, cell)
	if err != nil {
		return nil, err
	}
	if c, err := ledger.Continue(cfg.Data, o.taught, cell.Name, time.Now(), ledgerWait); err == nil && c.Plan != nil {
		o.frozen = c.Frozen // else a run that begins says so
	}
	return o, nil
}

// Order gives the cell new orders, which its loop takes when it comes round. It waits for that, or for ctx.
func (c *Cell) Order(ctx context.Context, o *Orders) error {
	c.orders.Store(o)
	return c.ask(ctx, func(context.Context) error { c.takeOrders(); return nil })
}

// takeOrders puts new limits, reactions and permissions into force, if there are any.
func (c *Cell) takeOrders() {
	o := c.orders.Swap(nil)
	if o == nil {
		return
	}
	c.settings.takeOrders(o)
	c.next.May = c.settings.May
	c.past.Final.May = c.next.May
	if c.run != nil {
		c.run.SetLimits(c.facts(), c.settings.Settings)
	}
}

func (s *Settings) takeOrders(o *Orders) {
	cell := o.cell
	s.Limits, s.Reactions, s.Reason = cell.Limits, cell.Reactions, cell.Reason
	s.stated, s.taught, s.Frozen, s.learned = o.stated, o.taught, o.frozen, cell.Efficiency.Learned
	s.May, s.HoldAmperes = cell.May, drivers.Amperes(cell.HoldAmperes)
	s.AtTarget, s.OnStop = cell.AtTarget, cell.OnStop
}
