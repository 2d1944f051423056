package alerts

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Condition is one thing that can be wrong, or due, with a cell, its supply, its
// charge or the watch itself.
type Condition uint8

// The conditions. Causes stand before what follows from them.
const (
	None Condition = iota // no condition
	// The supply.
	OffFailed
	PortShared
	SupplySilent
	MainsInterruption
	LineLost
	ProtectionTripped
	OutputOff
	SetPointsChanged
	ReadingFrozen
	// The cell.
	HardShort
	LeadOff
	AnodePassivation
	ThermalRunaway
	OverCurrent
	CurrentDensity
	OverVoltage
	Whisker
	Contact
	StirrerStopped
	Depletion
	OhmicRise
	ModeFlip
	VoltageLimit
	VoltageDrift
	GasVentilation
	// The charge.
	GapTooLong
	UncertaintyLarge
	ChargeBehind
	ChargeAhead
	TargetNear
	TargetReached
	TimeLimit
	MarginalEnergy
	// The watch.
	LogDisk
	LogAltered
	PushBehind
	NotificationUndeliverable
	conditionCount

	firstCondition = OffFailed
)

// Conditions lists every condition, causes before what follows from them.
func Conditions() []Condition {
	all := make([]Condition, 0, conditionCount)
	for c := firstCondition; c < conditionCount; c++ {
		all = append(all, c)
	}
	return all
}

// String returns the name used in the configuration, the run log and notices; "" for None.
func (c Condition) String() string {
	if c >= conditionCount {
		return fmt.Sprintf("Condition(%d)", uint8(c))
	}
	return catalogue[c].name
}

// earlier are names that logs of earlier runs have, each with today's.
var earlier = map[string]string{"marginal-gram": "marginal-energy", "notice-undeliverable": "notification-undeliverable"}

// ParseCondition is the inverse of String. It knows the names of earlier logs too.
func ParseCondition(name string) (Condition, error) {
	if i := slices.IndexFunc(catalogue[firstCondition:], func(e entry) bool { return e.name == cmp.Or(earlier[name], name) }); i >= 0 {
		return firstCondition + Condition(i), nil
	}
	var names []string
	for _, e := range catalogue[firstCondition:] {
		names = append(names, e.name)
	}
	return None, fmt.Errorf("condition %q is unknown; the conditions are %s", name, strings.Join(names, ", "))
}

// MarshalText writes the name.
func (c Condition) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (c *Condition) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*c = None
		return nil
	}
	got, err := ParseCondition(string(text))
	if err == nil {
		*c = got
	}
	return err
}

// set is a set of conditions.
type set uint64

func of(cs ...Condition) (s set) {
	for _, c := range cs {
		s |= 1 << c
	}
	return s
}

func (s set) has(c Condition) bool { return s&(1<<c) != 0 }

func (s *set) put(c Condition, in bool) {
	*s &^= 1 << c
	if in {
		*s |= 1 << c
	}
}

// need is what must be known or true before a condition can be judged at all.
type need uint8

const (
	always  need = iota
	reading      // the supply answers
	current      // and its output is on
	learned      // and the corridor is learned
	needCount
)

// needs lists, for each need, the conditions that have it or a stronger one.
var needs = func() (sets [needCount]set) {
	for c := firstCondition; c < conditionCount; c++ {
		for n := always; n <= catalogue[c].need; n++ {
			sets[n] |= 1 << c
		}
	}
	return sets
}()

// group gathers conditions that can be each other's cause.
type group uint8

const (
	process group = iota // supply and cell: one cause, many consequences
	charge               // milestones and accounts of the run
	house                // the watch itself
)

// entry is one line of the catalogue.
type entry struct {
	name    string
	group   group
	need    need
	follows set // conditions of which this one is a mere consequence while they hold
	setting Setting
	text    About
}

// About is what a person wants to know about a condition; Board.Meaning says for the cell at hand what it means for the deposit.
type About struct {
	Confirms string // what else would be seen if it is so
	Meaning  string // what it means for the deposit
	First    string // what to do first
}

// About returns the catalogue's words on c.
func (c Condition) About() About { return catalogue[c].text }

// Blind says plainly what this watch cannot see: what no volt or ampere shows, what
// this metal hides, and what this supply or this moment withholds.
func (b *Board) Blind() []string {
	says := []string{
		"Voltage and current do not show pH, which metal is plating, current efficiency, a leak before the electrodes are exposed, gas in the room, a failed fan, or one shorted electrode among several.",
	}
	c, m := &b.chemistry, &b.m
	switch {
	case c.DepletionVisible:
		says = append(says, "For "+c.Metal+" depletion shows as a rise of 0.5 to 1 V, but late: take assays.")
	case c.Metal != "":
		says = append(says, "For "+c.Metal+" depletion barely shows in voltage or current: rely on charge, model and assay.")
	}
	if !finite(c.FloorVolts) {
		says = append(says, "No minimum voltage is known for this cell, so a hard short is judged only against its own baseline.")
	}
	if !m.Started {
		return says
	}
	if m.Running && !m.Corridor.Settled {
		says = append(says, "The baseline is being learned ("+m.Why+"): contact, stirrer-stopped and ohmic-rise are suppressed, and voltage-drift sees only a rise.")
	}
	if m.Running && m.Repeats.Blocks >= 15 && !m.Repeats.lively() {
		says = append(says, "This supply's readings are so coarse that they often repeat; a frozen reading cannot be recognised.")
	}
	if m.Running && m.Regulation == ModeUnknown {
		says = append(says, "The supply does not report, or has not reported long enough, whether it is in CC or CV mode.")
	}
	if m.Running && !finite(float64(m.Set.Amperes)) {
		says = append(says, "The supply does not report its current set-point; a change shows only by its effect.")
	}
	return says
}

// practice marks a starting value for which no published figure was found.
const practice = "common practice, no source"

// fromLevel and fromTemperature mark the starting delays that ISA-18.2-2009 and EEMUA
// 191 give by kind of signal: level 60 s with 5 %, temperature 60 s with 1 % of the
// range. None was found for a current or a voltage.
const (
	fromLevel       = "delay as for a level in ISA-18.2-2009 and EEMUA 191 (from memory)"
	fromTemperature = "delay and deadband as for a temperature in ISA-18.2-2009 and EEMUA 191 (from memory)"
)

// beforeJoint is said wherever a person may come to a clip: a joint that opens under
// current sparks, and the gas over the bath may hold hydrogen.
const beforeJoint = "Before opening or moving a joint, turn the current down, then off if the metal allows."

// atRest is said of a stopped current when the metal of the cell is not stated; Board.Meaning names it when it is.
const atRest = "The metal is not configured: some deposits dissolve without current, others peel when plating resumes."

// starting builds a Setting from its figures.
func starting(p Priority, on, off time.Duration, deadband float64, source string) Setting {
	return Setting{Priority: p, OnDelay: on, OffDelay: off, Deadband: deadband, Source: source}
}

// latched builds a Setting that stays until a person resets it.
func latched(p Priority, on time.Duration) Setting {
	return Setting{Priority: p, OnDelay: on, OffDelay: minute, Latching: true, Source: practice}
}

const (
	second = time.Second
	minute = time.Minute
)

// catalogue holds what is known of each condition beforehand: the starting setting and the words.
var catalogue = [conditionCount]entry{
	OffFailed: {"off-failed", process, always, 0, latched(Highest, 0), About{
		"The supply's display still shows current, or the supply does not answer.",
		"The cell is still live: deposition, gas and heat continue.",
		"Go to the cell and switch the supply off by hand, at its mains switch if necessary."}},
	PortShared: {"port-shared", process, always, 0, starting(High, 0, 10*minute, 0, practice), About{
		"Another program has the supply's port open: a terminal, a modem service, a port scanner.",
		"It takes answers meant for nightcell, so readings are lost and their charge is a range. It may also command the supply.",
		"End the program named in the alarm and keep it off this port."}},
	SupplySilent: {"supply-silent", process, always, 0, starting(High, 0, 5*second, 0, practice), About{
		"The supply's display is off, or on with a loose cable or adapter.",
		"The supply most likely continues at its last setting, unmonitored; this charge is booked as a range.",
		"Check the supply's power and cable; read voltage and current from its display."}},
	MainsInterruption: {"mains-interruption", process, reading, 0, latched(High, 0), About{
		"Clocks in the room blink; the supply shows its power-on settings.",
		"The current was interrupted. " + atRest,
		"Inspect the deposit before switching on again; then set the set-points again."}},
	LineLost: {"line-lost", process, always, of(PortShared, MainsInterruption), starting(Medium, 0, 5*minute, 0, practice), About{
		"The supply has restarted, or its plug or adapter is loose.",
		"If the supply lost power, no current flowed; the charge of the gap is booked as a range.",
		"Compare the supply's set-points and display with the page; then reseat the plug or replace the adapter."}},
	ProtectionTripped: {"protection-tripped", process, reading, 0, latched(High, 0), About{
		"The supply's display shows which protection acted.",
		"The current has stopped. " + atRest,
		"Find the cause before resetting it: a clip off, a dry cell, a short circuit, a blocked fan."}},
	OutputOff: {"output-off", process, reading, of(ProtectionTripped, MainsInterruption), starting(High, 5*second, 5*second, 0, practice), About{
		"The supply's output indicator is off.",
		"No metal is depositing. " + atRest,
		"Find out who switched it off. If nobody did, suspect a brief mains failure or an overheated supply."}},
	SetPointsChanged: {"set-points-changed", process, reading, of(MainsInterruption), starting(Medium, 0, minute, 0, practice), About{
		"The set-points on the display differ from those at the start of the run.",
		"Current density and run time no longer match the plan.",
		"Find out who changed it; set it back, or acknowledge the alarm so that the baseline is learned again."}},
	ReadingFrozen: {"reading-frozen", process, current, of(SupplySilent), starting(High, 0, 5*second, 0, practice), About{
		"The display changes while the readings stay identical to the last digit.",
		"Monitoring is blind: charge is counted from a possibly stale reading.",
		"Compare the display with the page; reconnect the cable or restart the supply's interface."}},
	HardShort: {"hard-short", process, current, 0, latched(Highest, 5*second), About{
		"A dendrite or fallen plate bridges the electrodes; clips and leads get hot.",
		"Current bypasses the bath: no metal deposits, the charge since then does not count, and the bridge heats.",
		"Switch off or down to the hold current, then lift the cathode, break the bridge with a plastic rod and inspect the deposit."}},
	LeadOff: {"lead-off", process, current, 0, starting(High, 5*second, 10*second, 0, practice), About{
		"Output on, almost no current, voltage at its set-point.",
		"No current reaches the cell. " + atRest,
		"Check both clips and both leads; a corroded clip is green or white at the jaw. " + beforeJoint}},
	AnodePassivation: {"anode-passivation", process, current, of(LeadOff, OutputOff, SetPointsChanged), starting(High, minute, 5*minute, 0, practice), About{
		"Gas stops at the anode or comes from a few spots; a current step changes the voltage far less than a resistance would.",
		"The current has fallen or the cell voltage has risen; a failing coating destroys the anode.",
		"Lower the current; inspect the anode; a lead or coated anode may recover at low current after an interruption."}},
	ThermalRunaway: {"thermal-runaway", process, current, 0, starting(Highest, minute, 5*minute, 0.01, fromTemperature), About{
		"The bath heats up; the current climbs at constant voltage.",
		"Current density rises beyond what the deposit tolerates; the bath may boil.",
		"Lower the voltage or change to constant current; cool the bath; check the level."}},
	OverCurrent: {"over-current", process, reading, 0, starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same current; leads and clips are warm.",
		"Current density is above plan: dendrites, burnt edges, more hydrogen.",
		"Lower the current set-point; find out what raised it."}},
	CurrentDensity: {"current-density", process, reading, of(OverCurrent), starting(Medium, 10*second, 30*second, 0.02, practice), About{
		"Edges darken or grow dendrites.",
		"The deposit turns rough or powdery and shorts sooner.",
		"Lower the current, or immerse more cathode."}},
	OverVoltage: {"over-voltage", process, reading, of(LeadOff, AnodePassivation), starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same voltage.",
		"More heat and acid mist; the cell resistance has risen.",
		"Check level, clips and diaphragm; if all are sound, lower the current."}},
	Whisker: {"whisker", process, current, of(HardShort), starting(Medium, 0, 30*minute, 0, practice), About{
		"Dendrites at the edges nearly touch; a faint tick or spark as one burns off.",
		"Metal falls off the cathode; a hard short is likely within hours.",
		"Lower the current. " + beforeJoint + " Then knock the dendrites off, shield the edges, widen the electrode gap."}},
	Contact: {"contact", process, learned, of(LeadOff), starting(Medium, minute, 15*minute, 0, practice), About{
		"A clip or joint is hot, with more than 50 mV across it.",
		"The deposit is unharmed so far; the joint heats and may open overnight.",
		beforeJoint + " Then clean, tighten and grease it."}},
	StirrerStopped: {"stirrer-stopped", process, learned, of(HardShort, LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, 4*minute, 15*minute, 0, practice), About{
		"The stirrer or pump has stopped.",
		"Metal reaches the cathode too slowly: rough or powdery deposit, more hydrogen, lower current efficiency.",
		"Restart it, or lower the current to what an unstirred bath supports."}},
	Depletion: {"depletion", process, current, of(StirrerStopped, LeadOff), starting(Low, 5*minute, 30*minute, 0.02, practice), About{
		"More gas at the cathode; the deposit darkens; an assay shows little metal.",
		"Most of the charge now makes hydrogen; further deposit is powder.",
		"Take an assay; stop, or lower the current to suit the metal left."}},
	OhmicRise: {"ohmic-rise", process, learned, of(LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, minute, 15*minute, 0, fromLevel), About{
		"The level is below the mark, or the diaphragm is clogged; a small current step lowers the voltage in proportion.",
		"Wetted area shrinks, so current density and heat rise.",
		"Top up with water to the mark; if the level is right, check the diaphragm."}},
	ModeFlip: {"mode-flip", process, current, of(LeadOff, HardShort, AnodePassivation, SetPointsChanged, ThermalRunaway), starting(Medium, 10*second, 30*second, 0, practice), About{
		"The other mode indicator (CC or CV) is lit.",
		"The supply no longer regulates as planned: at its voltage set-point the current falls.",
		"Find what changed: the cell's resistance or a set-point."}},
	VoltageLimit: {"voltage-limit", process, current, of(LeadOff, AnodePassivation, ModeFlip, OverVoltage, SetPointsChanged), starting(Low, 30*second, minute, 0.01, practice), About{
		"The voltage is just below its set-point.",
		"Any further rise reduces the current, and the charge falls behind.",
		"Find out why the voltage rose before raising the set-point."}},
	VoltageDrift: {"voltage-drift", process, current, of(HardShort, Whisker, LeadOff, AnodePassivation, ThermalRunaway, Contact, StirrerStopped, Depletion, OhmicRise, ModeFlip, SetPointsChanged), starting(Medium, minute, 5*minute, 0.1, practice), About{
		"The curve leaves the baseline learned after warm-up.",
		"Something in the cell has changed; the deposit may suffer.",
		"Check level, clips, stirrer and deposit, in this order."}},
	GasVentilation: {"gas-ventilation", process, always, 0, starting(High, minute, 5*minute, 0.02, practice), About{
		"Chlorine: smell or a gas meter. Hydrogen: a gas meter only; it has no smell.",
		"No effect on the deposit; the air in the room is at risk.",
		"Ventilate, keep flames and switches away, and do not lean over the cell; if you smell chlorine, leave first, then ventilate and cut the mains from outside. Local rules take precedence."}},
	GapTooLong: {"gap-too-long", charge, always, 0, starting(Medium, 0, 0, 0, practice), About{
		"The run log has a gap.",
		"The charge of the gap is a range, not a single value.",
		"Settle the gap with what you know: did the supply keep running?"}},
	UncertaintyLarge: {"uncertainty-large", charge, always, 0, starting(Low, minute, minute, 0.02, practice), About{
		"The range shown with the charge is wide.",
		"Charge alone cannot show when the target is reached.",
		"Settle the gaps, take a zero, or weigh and assay before stopping."}},
	ChargeBehind: {"charge-behind", charge, always, of(HardShort, OutputOff, LeadOff, SupplySilent, MainsInterruption, ProtectionTripped, AnodePassivation, ModeFlip), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve is below the plan.",
		"The target will be reached later than planned.",
		"Plan for the later end; raise the current only as far as the deposit tolerates."}},
	ChargeAhead: {"charge-ahead", charge, always, of(OverCurrent, HardShort), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve is above the plan.",
		"The target will be reached earlier than planned; current density may be too high.",
		"Check the set-point; plan for the earlier end."}},
	TargetNear: {"target-near", charge, always, 0, starting(Low, 10*second, minute, 0.05, practice), About{
		"Little charge is left to the target.",
		"The run is nearly complete; if the bath attacks the deposit, someone must be there to lift it.",
		"Be there at the time given."}},
	TargetReached: {"target-reached", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The charge on the page equals the target.",
		"By charge, the planned deposit is on the cathode.",
		"Follow nightcell plan for this metal. If the bath attacks it: fan and face shield on, current down to the hold current, lift slowly, then off. Rinse, dry, weigh."}},
	TimeLimit: {"time-limit", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The run time equals its limit.",
		"The deposit is what the time allowed.",
		"End the run, or allow it more time."}},
	MarginalEnergy: {"marginal-energy", charge, always, 0, starting(Low, 5*minute, 30*minute, 0.05, practice), About{
		"The energy for the next gram is above its limit.",
		"Most of the current makes hydrogen; the deposit turns to powder.",
		"End the run, unless the last metal is worth the energy."}},
	LogDisk: {"log-disk", house, always, 0, starting(Medium, 10*second, minute, 0.05, practice), About{
		"The disk of the run log is full, read-only or failing.",
		"None yet: counting continues in memory, but a power cut would lose it.",
		"Free disk space."}},
	LogAltered: {"log-altered", house, always, 0, latched(High, 0), About{
		"A file in the data directory was moved, deleted or edited; nightcell verify shows where.",
		"No effect on the deposit. The charge shown may rest on a figure that was never measured.",
		"Find out what changed the data directory. Check the charge against notes, a weighing or an assay before relying on the target."}},
	PushBehind: {"push-behind", house, always, 0, starting(Low, minute, minute, 0, practice), About{
		"The dashboard shows old values.",
		"None: the run log has everything, and the dashboard catches up later.",
		"Check that the database answers."}},
	NotificationUndeliverable: {"notification-undeliverable", house, always, 0, starting(High, 0, minute, 0, practice), About{
		"A route refuses or does not answer.",
		"None yet, but that route would not carry an alarm.",
		"Read the route's error on the page; until it is fixed stay nearby or use another route."}},
}
