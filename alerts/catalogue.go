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
	MeterSilent
	MeterDisagrees
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

// need is what must be known or true before a condition can be judged at all.
type need uint8

const (
	always  need = iota
	reading      // the supply answers
	current      // and its output is on
	learned      // and the corridor is learned
	needCount
)

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
	fact    string // the first part of the alarm's text, and
	figure  string // the figure of a subject line, "" for none, both as Board.said fills them in
	unit    string // of what is judged and its limit, SI in words, where fact tells both; else ""
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

// cellFigure is the figure of what only volts and amperes together tell.
const cellFigure = "${volts:.3g} V at ${amperes:.3g} A"

// catalogue holds what is known of each condition beforehand: the starting setting and the words.
var catalogue = [conditionCount]entry{
	OffFailed: {"off-failed", process, always, 0, latched(Highest, 0), About{
		"The supply's display still shows current, or the supply does not answer.",
		"The cell is still live: deposition, gas and heat continue.",
		"Go to the cell and switch the supply off by hand, at its mains switch if necessary."},
		"the output was commanded off but this could not be verified; ${amperes:.3g} A now", "${amperes:.3g} A", ""},
	PortShared: {"port-shared", process, always, 0, starting(High, 0, 10*minute, 0, practice), About{
		"Another program has the supply's port open: a terminal, a modem service, a port scanner.",
		"It takes answers meant for nightcell, so readings are lost and their charge is a range. It may also command the supply.",
		"End the program named in the alarm and keep it off this port."},
		"answers from the supply are missing; its port is also open in ${shared}", "", ""},
	SupplySilent: {"supply-silent", process, always, 0, starting(High, 0, 5*second, 0, practice), About{
		"The supply's display is off, or on with a loose cable or adapter.",
		"The supply most likely continues at its last setting, unmonitored; this charge is booked as a range, unless a second meter counts.",
		"Check the supply's power and cable; read voltage and current from its display."},
		"no good answer from the supply for ${span}", "${span}", "seconds"},
	MainsInterruption: {"mains-interruption", process, reading, 0, latched(High, 0), About{
		"Clocks in the room blink; the supply shows its power-on settings.",
		"The current was interrupted. " + atRest,
		"Inspect the deposit before switching on again; then set the set-points again."},
		"the supply has restarted after losing power; output ${output}; nightcell never switches it on", "output ${output}", ""},
	LineLost: {"line-lost", process, always, of(PortShared, MainsInterruption), starting(Medium, 0, 5*minute, 0, practice), About{
		"The supply has restarted, or its plug or adapter is loose.",
		"If the supply lost power, no current flowed; the charge of the gap is booked as a range.",
		"Compare the supply's set-points and display with the page; then reseat the plug or replace the adapter."},
		"contact with the supply was lost and regained; no reading for ${span}, so the charge of that gap is a range", "", ""},
	ProtectionTripped: {"protection-tripped", process, reading, 0, latched(High, 0), About{
		"The supply's display shows which protection acted.",
		"The current has stopped. " + atRest,
		"Find the cause before resetting it: a clip off, a dry cell, a short circuit, a blocked fan."},
		"the supply's ${tripped} protection has tripped", "${tripped}", ""},
	OutputOff: {"output-off", process, reading, of(ProtectionTripped, MainsInterruption), starting(High, 5*second, 5*second, 0, practice), About{
		"The supply's output indicator is off.",
		"No metal is depositing. " + atRest,
		"Find out who switched it off. If nobody did, suspect a brief mains failure or an overheated supply."},
		"the output is off, not by nightcell, ${since}", "", ""},
	SetPointsChanged: {"set-points-changed", process, reading, of(MainsInterruption), starting(Medium, 0, minute, 0, practice), About{
		"The set-points on the display differ from those at the start of the run.",
		"Current density and run time no longer match the plan.",
		"Find out who changed it; set it back, or acknowledge the alarm so that the baseline is learned again."},
		"a set-point is ${value:.4g} instead of ${limit:.4g} (now ${set_volts:.4g} V, ${set_amperes:.4g} A), ${since}", "now ${set_volts:.4g} V and ${set_amperes:.4g} A", ""},
	ReadingFrozen: {"reading-frozen", process, current, of(SupplySilent), starting(High, 0, 5*second, 0, practice), About{
		"The display changes while the readings stay identical to the last digit.",
		"Monitoring is blind: charge is counted from a possibly stale reading.",
		"Compare the display with the page; reconnect the cable or restart the supply's interface."},
		"voltage and current have not changed in the last digit for ${span}", "${span}", "seconds"},
	MeterSilent: {"meter-silent", process, always, 0, starting(Medium, 0, 30*second, 0, practice), About{
		"The second meter's display is off, or on with a loose cable or adapter.",
		"No effect on the deposit: the supply's readings count meanwhile, with the supply's accuracy.",
		"Check the meter's power and cable; reset a meter that has switched itself off."},
		"no good answer from meter ${meter} for ${span}; the supply's readings count instead", "${span}", "seconds"},
	MeterDisagrees: {"meter-disagrees", process, reading, of(MeterSilent), starting(Medium, 30*second, minute, 0.1, practice), About{
		"A third meter, such as a clamp on a lead, agrees with one of the two.",
		"One of them is wrong, and with it the charge: the second meter's readings count.",
		"Compare both displays; then check the shunt's resistance in the configuration, its sense terminals, and the meter's range and function."},
		"the meter shows ${meter_shows:.5g} ${unit} and the supply ${supply_shows:.5g} ${unit}, ${value:.2g} ${unit} apart; both accuracies together allow ${limit:.2g} ${unit}, ${since}",
		"${meter_shows:.4g} ${unit} by the meter, ${supply_shows:.4g} ${unit} by the supply", ""},
	HardShort: {"hard-short", process, current, 0, latched(Highest, 5*second), About{
		"A dendrite or fallen plate bridges the electrodes; clips and leads get hot.",
		"Current bypasses the bath: no metal deposits, the charge since then does not count, and the bridge heats.",
		"Switch off or down to the hold current, then lift the cathode, break the bridge with a plastic rod and inspect the deposit."},
		"${amperes:.4g} A at only ${value:.3g} V, below the minimum of ${limit:.3g} V for depositing metal, ${since}", cellFigure, "volts"},
	LeadOff: {"lead-off", process, current, 0, starting(High, 5*second, 10*second, 0, practice), About{
		"Output on, almost no current, voltage at its set-point.",
		"No current reaches the cell. " + atRest,
		"Check both clips and both leads; a corroded clip is green or white at the jaw. " + beforeJoint},
		"output on at ${volts:.4g} V but only ${value:.3g} A, ${since}", "${value:.3g} A at ${volts:.4g} V", "amperes"},
	AnodePassivation: {"anode-passivation", process, current, of(LeadOff, OutputOff, SetPointsChanged), starting(High, minute, 5*minute, 0, practice), About{
		"Gas stops at the anode or comes from a few spots; a current step changes the voltage far less than a resistance would.",
		"The current has fallen or the cell voltage has risen; a failing coating destroys the anode.",
		"Lower the current; inspect the anode; a lead or coated anode may recover at low current after an interruption."},
		"the cell voltage jumped to ${volts:.4g} V at ${amperes:.4g} A, ${since}", cellFigure, ""},
	ThermalRunaway: {"thermal-runaway", process, current, 0, starting(Highest, minute, 5*minute, 0.01, fromTemperature), About{
		"The bath heats up; the current climbs at constant voltage.",
		"Current density rises beyond what the deposit tolerates; the bath may boil.",
		"Lower the voltage or change to constant current; cool the bath; check the level."},
		"at constant ${volts:.4g} V the current has risen to ${amperes:.4g} A, by ${growth:.2g} A/h, and will reach its limit in about ${span}", "${amperes:.4g} A, ${growth:+.2g} A/h", "seconds"},
	OverCurrent: {"over-current", process, reading, 0, starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same current; leads and clips are warm.",
		"Current density is above plan: dendrites, burnt edges, more hydrogen.",
		"Lower the current set-point; find out what raised it."},
		"${value:.4g} A is above the limit of ${limit:.4g} A, ${since}", "${value:.4g} A", "amperes"},
	CurrentDensity: {"current-density", process, reading, of(OverCurrent), starting(Medium, 10*second, 30*second, 0.02, practice), About{
		"Edges darken or grow dendrites.",
		"The deposit turns rough or powdery and shorts sooner.",
		"Lower the current, or immerse more cathode."},
		"${density:.3g} A/dm² is above the limit of ${density_limit:.3g} A/dm², ${since}", "${density:.3g} A/dm²", "amperes_per_square_metre"},
	OverVoltage: {"over-voltage", process, reading, of(LeadOff, AnodePassivation), starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same voltage.",
		"More heat and acid mist; the cell resistance has risen.",
		"Check level, clips and diaphragm; if all are sound, lower the current."},
		"${value:.4g} V is above the limit of ${limit:.4g} V, ${since}", "${value:.4g} V", "volts"},
	Whisker: {"whisker", process, current, of(HardShort), starting(Medium, 0, 30*minute, 0, practice), About{
		"Dendrites at the edges nearly touch; a faint tick or spark as one burns off.",
		"Metal falls off the cathode; a hard short is likely within hours.",
		"Lower the current. " + beforeJoint + " Then knock the dendrites off, shield the edges, widen the electrode gap."},
		"brief dips or a lasting sudden fall of the cell voltage, above the minimum voltage, ${since}", cellFigure, ""},
	Contact: {"contact", process, learned, of(LeadOff), starting(Medium, minute, 15*minute, 0, practice), About{
		"A clip or joint is hot, with more than 50 mV across it.",
		"The deposit is unharmed so far; the joint heats and may open overnight.",
		beforeJoint + " Then clean, tighten and grease it."},
		"the current path is becoming resistive and noisy, or flickers, ${since}", cellFigure, ""},
	StirrerStopped: {"stirrer-stopped", process, learned, of(HardShort, LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, 4*minute, 15*minute, 0, practice), About{
		"The stirrer or pump has stopped.",
		"Metal reaches the cathode too slowly: rough or powdery deposit, more hydrogen, lower current efficiency.",
		"Restart it, or lower the current to what an unstirred bath supports."},
		"the noise of the cell is ${value:.1f} times baseline, ${since}", cellFigure, "ratio"},
	Depletion: {"depletion", process, current, of(StirrerStopped, LeadOff), starting(Low, 5*minute, 30*minute, 0.02, practice), About{
		"More gas at the cathode; the deposit darkens; an assay shows little metal.",
		"Most of the charge now makes hydrogen; further deposit is powder.",
		"Take an assay; stop, or lower the current to suit the metal left."},
		"the current is ${load:.0f} % of the limiting current, ${since}${unseen}", "${load:.0f} % of the limiting current", "ratio"},
	OhmicRise: {"ohmic-rise", process, learned, of(LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, minute, 15*minute, 0, fromLevel), About{
		"The level is below the mark, or the diaphragm is clogged; a small current step lowers the voltage in proportion.",
		"Wetted area shrinks, so current density and heat rise.",
		"Top up with water to the mark; if the level is right, check the diaphragm."},
		"a slow rise that looks ohmic, ${since}", cellFigure, ""},
	ModeFlip: {"mode-flip", process, current, of(LeadOff, HardShort, AnodePassivation, SetPointsChanged, ThermalRunaway), starting(Medium, 10*second, 30*second, 0, practice), About{
		"The other mode indicator (CC or CV) is lit.",
		"The supply no longer regulates as planned: at its voltage set-point the current falls.",
		"Find what changed: the cell's resistance or a set-point."},
		"the supply has changed to ${mode}; the run was in ${regulation}, ${since}", "${mode}", ""},
	VoltageLimit: {"voltage-limit", process, current, of(LeadOff, AnodePassivation, ModeFlip, OverVoltage, SetPointsChanged), starting(Low, 30*second, minute, 0.01, practice), About{
		"The voltage is just below its set-point.",
		"Any further rise reduces the current, and the charge falls behind.",
		"Find out why the voltage rose before raising the set-point."},
		"${value:.4g} V is just below the voltage set-point of ${set_volts:.4g} V, ${since}", "${value:.4g} V", ""},
	VoltageDrift: {"voltage-drift", process, current, of(HardShort, Whisker, LeadOff, AnodePassivation, ThermalRunaway, Contact, StirrerStopped, Depletion, OhmicRise, ModeFlip, SetPointsChanged), starting(Medium, minute, 5*minute, 0.1, practice), About{
		"The curve leaves the baseline learned after warm-up.",
		"Something in the cell has changed; the deposit may suffer.",
		"Check level, clips, stirrer and deposit, in this order."},
		"${drift}, ${since}", cellFigure, ""},
	GasVentilation: {"gas-ventilation", process, always, 0, starting(High, minute, 5*minute, 0.02, practice), About{
		"Chlorine: smell or a gas meter. Hydrogen: a gas meter only; it has no smell.",
		"No effect on the deposit; the air in the room is at risk.",
		"Ventilate, keep flames and switches away, and do not lean over the cell; if you smell chlorine, leave first, then ventilate and cut the mains from outside. Local rules take precedence."},
		"the cell may make ${gas} that needs ${air:.2g} m³/h of fresh air; ${air_limit:.2g} m³/h is configured", "${air:.2g} m³/h of air needed", "cubic_metres_per_second"},
	GapTooLong: {"gap-too-long", charge, always, 0, starting(Medium, 0, 0, 0, practice), About{
		"The run log has a gap.",
		"The charge of the gap is a range, not a single value.",
		"Settle the gap with what you know: did the supply keep running?"},
		"no reading for ${span}; the charge of that gap is a range", "${span}", "seconds"},
	UncertaintyLarge: {"uncertainty-large", charge, always, 0, starting(Low, minute, minute, 0.02, practice), About{
		"The range shown with the charge is wide.",
		"Charge alone cannot show when the target is reached.",
		"Settle the gaps, take a zero, or weigh and assay before stopping."},
		"the charge is uncertain by ±${charge:.3g} A·h (k = 2); the target is ${target:.4g} A·h", "±${charge:.3g} A·h", "coulombs"},
	ChargeBehind: {"charge-behind", charge, always, of(HardShort, OutputOff, LeadOff, SupplySilent, MainsInterruption, ProtectionTripped, AnodePassivation, ModeFlip), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve is below the plan.",
		"The target will be reached later than planned.",
		"Plan for the later end; raise the current only as far as the deposit tolerates."},
		"the charge is ${charge:.3g} A·h behind the plan", "${charge:.4g} A·h", "coulombs"},
	ChargeAhead: {"charge-ahead", charge, always, of(OverCurrent, HardShort), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve is above the plan.",
		"The target will be reached earlier than planned; current density may be too high.",
		"Check the set-point; plan for the earlier end."},
		"the charge is ${charge:.3g} A·h ahead of the plan", "${charge:.4g} A·h", "coulombs"},
	TargetNear: {"target-near", charge, always, 0, starting(Low, 10*second, minute, 0.05, practice), About{
		"Little charge is left to the target.",
		"The run is nearly complete; if the bath attacks the deposit, someone must be there to lift it.",
		"Be there at the time given."},
		"about ${span} to the target, at about ${end}", "in about ${span}", "seconds"},
	TargetReached: {"target-reached", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The charge on the page equals the target.",
		"By charge, the planned deposit is on the cathode.",
		"Follow nightcell plan for this metal. If the bath attacks it: fan and face shield on, current down to the hold current, lift slowly, then off. Rinse, dry, weigh."},
		"${charge:.4g} A·h counted; the target was ${charge_limit:.4g} A·h${deposit}", "${charge:.4g} A·h", "coulombs"},
	TimeLimit: {"time-limit", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The run time equals its limit.",
		"The deposit is what the time allowed.",
		"End the run, or allow it more time."},
		"the run has lasted ${span}, its limit", "${span}", "seconds"},
	MarginalEnergy: {"marginal-energy", charge, always, 0, starting(Low, 5*minute, 30*minute, 0.05, practice), About{
		"The energy for the next gram is above its limit.",
		"Most of the current makes hydrogen; the deposit turns to powder.",
		"End the run, unless the last metal is worth the energy."},
		"the next gram takes ${energy:.3g} W·h; the limit is ${energy_limit:.3g} W·h", "${energy:.3g} W·h/g", "joules_per_kilogram"},
	LogDisk: {"log-disk", house, always, 0, starting(Medium, 10*second, minute, 0.05, practice), About{
		"The disk of the run log is full, read-only or failing.",
		"None yet: counting continues in memory, but a power cut would lose it.",
		"Free disk space."},
		"${megabytes:.3g} MB free on the disk of the run log", "${megabytes:.3g} MB free", "bytes"},
	LogAltered: {"log-altered", house, always, 0, latched(High, 0), About{
		"A file in the data directory was moved, deleted or edited; nightcell verify shows where.",
		"No effect on the deposit. The charge shown may rest on a figure that was never measured.",
		"Find out what changed the data directory. Check the charge against notes, a weighing or an assay before relying on the target."},
		"${altered}", "", ""},
	PushBehind: {"push-behind", house, always, 0, starting(Low, minute, minute, 0, practice), About{
		"The dashboard shows old values.",
		"None: the run log has everything, and the dashboard catches up later.",
		"Check that the database answers."},
		"the database of push ${push} is ${span} behind", "${push}, ${span}", "seconds"},
	NotificationUndeliverable: {"notification-undeliverable", house, always, 0, starting(High, 0, minute, 0, practice), About{
		"A route refuses or does not answer.",
		"None yet, but that route would not carry an alarm.",
		"Read the route's error on the page; until it is fixed stay nearby or use another route."},
		"a notification has waited ${span} for route ${route}, which does not accept it", "${route}, ${span}", "seconds"},
}
