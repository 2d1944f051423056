// Package run is one charge from begin to finish: readings, entries, what the clocks say and what the supply
// says of itself go in; lines of the run log, notices, the figures of a snapshot and decisions for the hands come
// out. It holds no cell, no port, no context, no goroutine and no clock, so that a night runs through it in a test.
package run

import (
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// Run is one charge from begin to finish. Every method that takes Facts moves the run on to their moment first.
type Run struct {
	kept
	settings Settings
	plan     constants // of settings.Plan
	dir      string
	log      *runlog.Writer
	time     timeline
	count    *integrate.Coulometer
	alarms   *alerts.Board
	supply   Supply  // as of the newest facts
	atRest   float64 // A that the supply reports when none flows

	reading  drivers.Reading // the newest good one
	readUTC  time.Time       // its stamp, if it was counted
	totals   integrate.Totals
	standing bath.Standing // as of this round, like totals; of a cell with a plan
	target   float64       // C, likewise; once it is passed, where it lay

	lastGood time.Duration // run time of the newest counted reading, the supply's or by the meter alone
	heard    time.Duration // run time of the supply's newest
	lastLive time.Duration // run time of the newest with a live output
	seen     time.Duration // the newest reading of the supply, on the clock of the readings; below zero: none by this process
	gap      time.Duration // the longest that readings have ended since the alarms were judged last
	cut      bool          // the meter has shown no current since then, so that it is no witness of the supply
	points   setPoints     // that the supply told last

	fresh   bool          // no reading yet since this process took the run up
	resumed bool          // this process did not begin it
	slept   bool          // the machine was suspended since the newest reading
	lostFor time.Duration // what the newest reading ended, if the supply was out of reach in it

	supplyRestarted bool
	hands           hands
	ended           string
	byHand          bool // a person switched it off or ended it

	meters     meters
	logWaiting bool
	diskFree   float64
	diskAt     time.Duration
	lookAt     time.Duration // when to look for the log again
	lateFile   fs.FileInfo   // where those stand, as it was read last
	outsideAt  time.Duration // when to look at pushes and routes again
	outside    alerts.Outside
	noticed    time.Time      // stamp of the newest notice
	shown      []alerts.Alarm // rebuilt only when it changes
	blind      []string       // likewise, and at each checkpoint
}

// kept is what a checkpoint carries as it stands.
type kept struct {
	LastOn  bool      `json:"on"`                // the output was on at the newest counted reading
	Own     float64   `json:"own,omitzero"`      // A that the supply showed at its newest reading, if the meter's counted
	Shunted float64   `json:"shunted,omitempty"` // C that passed while metal bridged the electrodes
	Cleared clearance `json:"cleared"`
	Reached bool      `json:"reached"`           // the target
	Altered string    `json:"altered,omitempty"` // what became of the log behind the watch's back, until somebody has acknowledged it
	Began   time.Time `json:"began,omitzero"`    // of the run, which a log that was begun anew is not named by
	Abort   *abort    `json:"abort,omitempty"`   // once it has ended: what is left to be done
	Late    int64     `json:"late,omitzero"`     // time stamp of the last late entry that was followed
}

// clearance is what the operator confirmed before an unattended run.
type clearance struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// blank is a run before anything is known of it.
func blank(s *Settings) *Run {
	return &Run{
		settings: *s, plan: constantsOf(s.Plan), atRest: s.Count.ZeroAmperes, diskFree: nan, points: unknownSetPoints, seen: -1,
		hands: hands{acted: make(map[alerts.Condition]bool), refused: make(map[alerts.Condition]bool)}, alarms: alerts.NewBoard(s.Limits, s.Chemistry),
	}
}

// Zero is what the supply reported while its output was off before the run.
type Zero struct {
	integrate.Zero
	Readings int // that it is the mean of; 0: none was taken
}

// Begin opens a run that counts from a reading on, which is still to be handed to Round or Count. The error says
// why no log can be written; nothing is then begun. atRest is what the supply is known to report, in A, while none flows.
func Begin(s *Settings, f *Facts, first drivers.Reading, zero Zero, atRest float64) (*Run, error) {
	r := blank(s)
	r.atRest = atRest
	r.supply = f.Supply
	r.time = newTimeline(f.Moment, s.Speed, first.At)
	r.Began = r.time.stamp(0)
	r.count = integrate.NewCoulometer(s.Count)
	if s.Plan != nil {
		if err := s.Plan.Resume(s.BathAtBegin); err != nil {
			return nil, fmt.Errorf("filling the model of the bath: %w", err)
		}
	}
	r.relist()
	log, err := runlog.Create(s.DataDir, s.Cell, r.Began, s.Frozen, r.logOptions())
	if err != nil {
		return nil, fmt.Errorf("creating the run log: %w", err)
	}
	r.log, r.dir = log, log.Run()
	s.Log.Info("run started", "cell", s.Cell, "run", r.dir)
	r.note(log.Begin(r.Began, r.count.Settings(), r.beginText(), r.beginFields()...))
	if zero.Readings > 0 {
		if err := r.count.SetZero(zero.Zero); err != nil {
			return nil, fmt.Errorf("taking the zero: %w", err)
		}
		r.atRest = zero.Amperes
		r.note(log.Entry(r.Began, runlog.EntryZero, fmt.Sprintf("mean of %d readings with the output off", zero.Readings),
			runlog.Number("amperes", zero.Amperes), runlog.Number("standard_uncertainty", zero.Uncertainty)))
	}
	r.attached(r.Began)
	return r, nil
}

// now is the run's own time at the newest moment, and utc its stamp.
func (r *Run) now() time.Duration { return r.time.now() }

func (r *Run) utc() time.Time { return r.time.stamp(r.time.now()) }

// recent says that the newest counted reading can stand for the present.
func (r *Run) recent() bool { return r.now()-r.lastGood <= max(5*r.settings.Poll, 10*time.Second) }

// live says whether a reading is of an output that pushes current.
func (r *Run) live(reading drivers.Reading) bool { return r.settings.Live(reading, r.atRest) }

// note takes the error of a log line. The writer keeps the line in memory and tries
// again, so nothing is lost here; the log's health shows in the snapshot and as an alarm.
func (r *Run) note(err error) {
	if err != nil {
		r.settings.Log.Error("run log", "cell", r.settings.Cell, "err", err)
	}
}

// Attached sees whether a supply that answers again has lost its settings meanwhile, and writes down who answers.
func (r *Run) Attached(f *Facts) {
	r.Learn(f)
	now, before := float64(r.supply.Status.SetAmperes), float64(r.points.Amperes)
	r.supplyRestarted = !math.IsNaN(now) && !math.IsNaN(before) && now != before && r.supply.Status.Output == drivers.OutputOff
	r.attached(r.utc())
}

// attached writes down who answers, for whoever reads the log later.
func (r *Run) attached(utc time.Time) {
	st := &r.supply.Status
	r.note(r.log.Entry(utc, "attached", "the supply identifies itself as "+r.supply.Identity.String(),
		runlog.Flag("same", !r.supply.Swapped), runlog.Text("output", st.Output.String()),
		runlog.Number("set_volts", float64(st.SetVolts)), runlog.Number("set_amperes", float64(st.SetAmperes)),
		runlog.Number("limit_volts", float64(st.LimitVolts)), runlog.Number("limit_amperes", float64(st.LimitAmperes))))
}

// beginText says in words how the run begins, for whoever reads the log later.
func (r *Run) beginText() string {
	text := "run started with " + r.supply.Identity.String()
	if p := r.settings.Plan; p != nil {
		goal := p.Goal.Charge
		target := quantity.WithDoubt(goal.Value/3600, integrate.CoverageFactor*goal.StandardUncertainty/3600)
		if goal.Skewed() {
			target = quantity.Interval(goal.Value/3600, goal.Low/3600, goal.High/3600)
		}
		text += fmt.Sprintf("; target %s A·h (k = %d)", target, integrate.CoverageFactor)
		if r.settings.Left != "" {
			text += " of the " + r.settings.Left
		}
	}
	if r.settings.Reason != "" {
		text += "; reason for not using the safe state: " + r.settings.Reason
	}
	return text
}

// beginFields are the figures of the plan.
func (r *Run) beginFields() []runlog.Field {
	p := r.settings.Plan
	if p == nil {
		return nil
	}
	return []runlog.Field{
		runlog.Text("metal", p.Metal.String()),
		runlog.Number("target_charge_coulombs", p.Goal.Charge.Value),
		runlog.Number("target_charge_standard_uncertainty_coulombs", p.Goal.Charge.StandardUncertainty),
	}
}

// SetLimits puts new limits, reactions and permissions into force.
func (r *Run) SetLimits(f *Facts, s Settings) {
	r.Learn(f)
	r.settings = s
	r.alarms.SetLimits(s.Limits)
	text := "limits and routes were reloaded"
	if s.Reason != "" {
		text += "; reason for not using the safe state: " + s.Reason
	}
	r.note(r.log.Entry(r.utc(), "limits", text))
}

// Identity is who answered last, in a process before as well.
func (r *Run) Identity() drivers.Identity { return r.supply.Identity }

// Settings is what a run needs to know of its cell; quantities are SI.
type Settings struct {
	Cell, Supply string
	Poll         time.Duration
	Speed        float64       // of the clocks against the machine's; 1 but for demonstrations
	Sync         time.Duration // longest time a written reading may stay unsynced
	Checkpoints  time.Duration // between two of them; 0: CheckpointEvery
	FS           runlog.FS     // nil: the machine's; tests put failing disks here
	Count        integrate.Settings
	Plan         *bath.Plan // nil when the configuration states no bath
	BathAtBegin  bath.State // of the plan's model, before any charge
	Left         string     // what the ledger of the bath says is left to begin with; empty: the bath is as stated
	Meters       []Meter
	Limits       alerts.Limits
	Chemistry    alerts.Chemistry
	May          alerts.Permission
	AtTarget     alerts.Act
	HoldAmperes  drivers.Amperes
	MostAmperes  drivers.Amperes // that the supply can put out; NaN when not stated
	Reactions    []alerts.Reaction
	// AirStated is the ventilation of the room, m3/s, and AirNeededPerAmpere what the
	// gas of one ampere asks for, m3/s per A; NaN when not stated.
	AirStated, AirNeededPerAmpere float64
	Gas                           string // that the air is for
	AnodeGas                      string
	AnodeLitresPerAmpereHour      float64
	AcidGramsPerCoulomb           float64
	WaterGramsPerCoulomb          float64
	AcidName                      string

	DataDir string
	Frozen  []byte                   // the configuration of this cell as it goes into run.toml
	Free    func(dir string) float64 // bytes left for the log, NaN unknown; nil: the system is asked
	// Reason is why a choice departs from the safe state of the metal; it goes into the log.
	Reason string
	Log    *slog.Logger
	// Wake is called after a notice was logged, so that those who read the log need not wait; nil: nobody does. It must not block.
	Wake func()
	// Tell hands a notice to the routes that the log does not take for now; nil: nobody is
	// told. It must not block.
	Tell func(routes.Notice)
	// Outside tells how pushes and routes are getting on; nil: there are none. It must not block.
	Outside func() alerts.Outside
}

// Live says whether a reading is of an output that pushes current, where the supply reports atRest, in A,
// while none flows.
func (s *Settings) Live(r drivers.Reading, atRest float64) bool {
	return r.Output != drivers.OutputOff && !s.Dead(r.Own(), atRest)
}

// Dead says whether a reported current is no more than what the supply reports at rest, atRest in A.
func (s *Settings) Dead(a drivers.Amperes, atRest float64) bool {
	return math.Abs(float64(a)-atRest) <= s.startAmperes()
}

// startAmperes is the current from which an output counts as working and not as
// offset: twice the offset that the maker allows, and at least 1 % of the current limit.
func (s *Settings) startAmperes() float64 {
	a := max(2*s.Count.OffsetAmperes, 0.002)
	if l := s.Limits.Amperes; !math.IsNaN(l) {
		a = max(a, 0.01*l)
	}
	return a
}

// Past hands a notice to the routes past the log, which does not take it now.
func (s *Settings) Past(n routes.Notice) {
	if s.Tell != nil {
		s.Tell(n)
	}
}

// wake tells those who read the log that there is something new.
func (s *Settings) wake() {
	if s.Wake != nil {
		s.Wake()
	}
}

// restMeaning says what rest does to the deposit.
func (s *Settings) restMeaning() string {
	switch ch := s.Chemistry; {
	case ch.RedissolvesOff:
		return "This bath dissolves the deposit while the current is off."
	case ch.SpoiledByPause:
		return "Do not resume on this deposit: it would peel."
	}
	return ""
}

// Meter is what a second meter of the cell measures.
type Meter struct {
	Kelvin                      float64 // half-width of the temperature's accuracy
	Name                        string
	Amperes, Volts, Temperature bool
}

// Facts are what the watch knows at one moment besides the readings.
type Facts struct {
	Moment
	Supply
}

// Supply is what the line has found out about the supply.
type Supply struct {
	Up       bool             // there is a line to ask on
	Identity drivers.Identity // who answered last, in a process before as well
	Status   drivers.Status   // the newest; what is not known is NaN
	Opened   uint64           // how often the line was opened
	Since    time.Duration    // when it came up or went down last, on the clock of the readings
	Silences int              // questions without any answer since the newest counted reading
	Swapped  bool             // another instrument has answered since then
	// MeterProblems says what is wrong with each of the second meters, in the order of Settings.Meters; empty: nothing.
	MeterProblems []string
	SharedBy      string // another process that has the port open and may take answers; empty: none is known
}

// Known is who answered last, empty before anybody has.
func (s *Supply) Known() string {
	if s.Identity == (drivers.Identity{}) {
		return ""
	}
	return s.Identity.String()
}

var nan = math.NaN()

// UnknownStatus is that of a supply which has not told.
func UnknownStatus() drivers.Status {
	return drivers.Status{SetVolts: drivers.Volts(nan), SetAmperes: drivers.Amperes(nan), LimitVolts: drivers.Volts(nan), LimitAmperes: drivers.Amperes(nan)}
}
