package alerts

import "time"

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
const beforeJoint = "Turn the current down, then off where the metal allows, before you open or move a joint."

// atRest is said of a stopped current when the metal of the cell is not stated; Board.Meaning names it when it is.
const atRest = "Which metal is won here is not stated: some baths dissolve their deposit meanwhile, and some deposits peel when plating goes on over them."

// starting builds a Setting from its figures.
func starting(p Priority, on, off time.Duration, deadband float64, source string) Setting {
	return Setting{Priority: p, OnDelay: on, OffDelay: off, Deadband: deadband, Source: source}
}

// latched builds a Setting that stays until a person resets it.
func latched(p Priority, on, off time.Duration) Setting {
	return Setting{Priority: p, OnDelay: on, OffDelay: off, Latching: true, Source: practice}
}

const (
	second = time.Second
	minute = time.Minute
)

// catalogue holds what is known of each condition beforehand: the starting setting and the words.
var catalogue = [conditionCount]entry{
	OffFailed: {"off-failed", process, always, 0, latched(Highest, 0, minute), About{
		"Read the supply's own display: amperes still flow, or it does not answer.",
		"The cell is still driven although it was to stop: metal, gas and heat go on.",
		"Go there and switch the supply off by hand, at its mains switch if need be."}},
	PortShared: {"port-shared", process, always, 0, starting(High, 0, 10*minute, 0, practice), About{
		"A second program has the supply's port open: a terminal, a modem service, something that tries out ports.",
		"It takes answers that belong to the watch, so readings are missed and their charge is a range. It may also command the supply.",
		"End the program that the text names, and keep it from this port."}},
	SupplySilent: {"supply-silent", process, always, 0, starting(High, 0, 5*second, 0, practice), About{
		"The supply's display is dark, or lit while its cable or adapter is loose.",
		"The supply most likely goes on at its last setting, unseen; the charge of this time is booked as a range.",
		"Look whether the supply has power and its cable is plugged in; read volts and amperes from its display."}},
	MainsInterruption: {"mains-interruption", process, reading, 0, latched(High, 0, minute), About{
		"Clocks in the room blink; the supply shows its power-on settings.",
		"The current stopped for a time. " + atRest,
		"Look at the deposit before anything is switched on again; then enter the set-points anew."}},
	LineLost: {"line-lost", process, always, of(PortShared, MainsInterruption), starting(Medium, 0, 5*minute, 0, practice), About{
		"The supply has restarted, or its plug or adapter is loose.",
		"If the supply lost power, no current flowed meanwhile; the charge of that time is booked as a range.",
		"Compare the supply's set-points and display with the page; then push the plug home or replace the adapter."}},
	ProtectionTripped: {"protection-tripped", process, reading, 0, latched(High, 0, minute), About{
		"The supply's display shows which protection acted.",
		"The current has stopped. " + atRest,
		"Find why before resetting it: a clip off, a dry cell, a short, a blocked fan."}},
	OutputOff: {"output-off", process, reading, of(ProtectionTripped, MainsInterruption), starting(High, 5*second, 5*second, 0, practice), About{
		"The output lamp of the supply is dark.",
		"No metal is won. " + atRest,
		"Ask who switched it off. If nobody did, suspect a short loss of mains or a hot supply."}},
	SetPointsChanged: {"set-points-changed", process, reading, of(MainsInterruption), starting(Medium, 0, minute, 0, practice), About{
		"The set-points on the display are not those the run began with.",
		"Current density and duration are no longer as planned.",
		"Ask who turned the knob; set it back, or enter the change so that the corridor is learned anew."}},
	ReadingFrozen: {"reading-frozen", process, current, of(SupplySilent), starting(High, 0, 5*second, 0, practice), About{
		"The display moves while the readings stay the same to the last digit.",
		"The watch is blind: charge is counted from a number that may be old.",
		"Compare the display with the page; reconnect the cable or restart the supply's interface."}},
	HardShort: {"hard-short", process, current, 0, latched(Highest, 5*second, minute), About{
		"A tree or a fallen plate joins the electrodes; clips and leads get hot.",
		"Current flows through metal: nothing is won, the charge counted since is void, heat is made at the bridge.",
		"Switch off or down to the hold current, then lift the cathode, break the bridge with a plastic rod, then look at the deposit."}},
	LeadOff: {"lead-off", process, current, 0, starting(High, 5*second, 10*second, 0, practice), About{
		"Output on, almost no amperes, volts at the set limit.",
		"No current reaches the cell. " + atRest,
		"Look at both clips and both leads; a corroded clip shows green or white at the jaw. " + beforeJoint}},
	AnodePassivation: {"anode-passivation", process, current, of(LeadOff, OutputOff, SetPointsChanged), starting(High, minute, 5*minute, 0, practice), About{
		"Gas stops at the anode or comes from few spots; a current step changes volts far less than a resistance would.",
		"The current has fallen or the cell takes far more volts; a coating that dies takes the anode with it.",
		"Lower the current; look at the anode; a lead or coated anode that was off for a while may recover at low current."}},
	ThermalRunaway: {"thermal-runaway", process, current, 0, starting(Highest, minute, 5*minute, 0.01, fromTemperature), About{
		"The bath is hot and gets hotter; amperes climb at the same volts.",
		"Current density rises past what the deposit stands; the bath may boil off.",
		"Lower the voltage or go to constant current; cool the bath; check the level."}},
	OverCurrent: {"over-current", process, reading, 0, starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same amperes; leads and clips are warm.",
		"Current density is above the plan: trees, burnt edges, more hydrogen.",
		"Lower the current set-point; check what raised it."}},
	CurrentDensity: {"current-density", process, reading, of(OverCurrent), starting(Medium, 10*second, 30*second, 0.02, practice), About{
		"Edges darken or grow trees.",
		"The deposit gets rough or powdery and shorts sooner.",
		"Lower the current, or wet more cathode."}},
	OverVoltage: {"over-voltage", process, reading, of(LeadOff, AnodePassivation), starting(High, 3*second, 10*second, 0.02, practice), About{
		"The display shows the same volts.",
		"More heat, more acid mist; the cell has become resistive.",
		"Check level, clips and diaphragm; lower the current if none is at fault."}},
	Whisker: {"whisker", process, current, of(HardShort), starting(Medium, 0, 30*minute, 0, practice), About{
		"Trees at the edges that nearly touch; a faint tick or spark as one burns off.",
		"Metal falls off the cathode; a hard short is likely to follow within hours.",
		"Lower the current. " + beforeJoint + " Then knock the trees off, shield the edges, widen the gap."}},
	Contact: {"contact", process, learned, of(LeadOff), starting(Medium, minute, 15*minute, 0, practice), About{
		"A clip or joint is hot; more than 50 mV across it.",
		"The deposit is not hurt yet; the joint heats, and may open in the night.",
		beforeJoint + " Then clean and tighten it, bolt it, grease it."}},
	StirrerStopped: {"stirrer-stopped", process, learned, of(HardShort, LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, 4*minute, 15*minute, 0, practice), About{
		"The stirrer or pump stands still.",
		"The surface is starved: rough or powdery deposit, more hydrogen, less metal for the charge.",
		"Start it again, or lower the current to what a still bath carries."}},
	Depletion: {"depletion", process, current, of(StirrerStopped, LeadOff), starting(Low, 5*minute, 30*minute, 0.02, practice), About{
		"More gas at the cathode, the deposit darkens; an assay shows little metal left.",
		"From here on most of the charge makes hydrogen, and what still comes is powder.",
		"Take an assay; stop, or lower the current to what is left."}},
	OhmicRise: {"ohmic-rise", process, learned, of(LeadOff, AnodePassivation, SetPointsChanged), starting(Medium, minute, 15*minute, 0, fromLevel), About{
		"The level is below the mark, or the diaphragm is blinded; a small step down in current drops volts in proportion.",
		"The wetted area shrinks and its current density grows; heat rises.",
		"Top up with water to the mark; if the level is right, look at the diaphragm."}},
	ModeFlip: {"mode-flip", process, current, of(LeadOff, HardShort, AnodePassivation, SetPointsChanged, ThermalRunaway), starting(Medium, 10*second, 30*second, 0, practice), About{
		"The other regulation lamp is lit.",
		"The supply no longer holds what the plan counts on: at the voltage limit the current falls.",
		"See what rose: the cell's resistance, or a set-point that somebody changed."}},
	VoltageLimit: {"voltage-limit", process, current, of(LeadOff, AnodePassivation, ModeFlip, OverVoltage, SetPointsChanged), starting(Low, 30*second, minute, 0.01, practice), About{
		"Volts stand just under the voltage set-point.",
		"The next small rise costs current, and the charge falls behind.",
		"Find why volts rose before raising the limit."}},
	VoltageDrift: {"voltage-drift", process, current, of(HardShort, Whisker, LeadOff, AnodePassivation, ThermalRunaway, Contact, StirrerStopped, Depletion, OhmicRise, ModeFlip, SetPointsChanged), starting(Medium, minute, 5*minute, 0.1, practice), About{
		"The page's curve leaves the corridor that was learned after warm-up.",
		"Something in the cell has changed; the deposit may or may not suffer.",
		"Look at level, clips, stirrer, deposit, in this order."}},
	GasVentilation: {"gas-ventilation", process, always, 0, starting(High, minute, 5*minute, 0.02, practice), About{
		"Smell or a gas meter for chlorine; hydrogen has no smell.",
		"None for the deposit; the air of the room is at stake.",
		"Ventilate, keep flames and switches away, and do not lean over the cell; if it smells of chlorine, leave the room first, then ventilate and cut the mains from outside. Local rules come first."}},
	GapTooLong: {"gap-too-long", charge, always, 0, starting(Medium, 0, 0, 0, practice), About{
		"The run log shows a gap.",
		"The charge of that time is a range, not a number.",
		"Settle the gap by what you know of it: did the supply go on?"}},
	UncertaintyLarge: {"uncertainty-large", charge, always, 0, starting(Low, minute, minute, 0.02, practice), About{
		"The range beside the charge is wide.",
		"The target cannot be called by charge alone.",
		"Settle the gaps, take a zero, or weigh and assay before stopping."}},
	ChargeBehind: {"charge-behind", charge, always, of(HardShort, OutputOff, LeadOff, SupplySilent, MainsInterruption, ProtectionTripped, AnodePassivation, ModeFlip), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve runs under the plan.",
		"The target comes later than planned.",
		"Plan the later end; raise the current only within what the deposit stands."}},
	ChargeAhead: {"charge-ahead", charge, always, of(OverCurrent, HardShort), starting(Low, minute, minute, 0.1, practice), About{
		"The charge curve runs above the plan.",
		"The target comes sooner than planned; current density may be too high.",
		"Check the set-point; plan the earlier end."}},
	TargetNear: {"target-near", charge, always, 0, starting(Low, 10*second, minute, 0.05, practice), About{
		"Little charge is left to the target.",
		"The end is near; where the bath attacks the deposit someone must be there to lift it.",
		"Be there at the time given."}},
	TargetReached: {"target-reached", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The counted charge is at the target.",
		"What was planned is on the cathode, as far as charge can tell.",
		"As nightcell plan says for this metal. Where the bath attacks it: fan and face shield on, current down to the hold current, lift slowly, then off. Rinse, dry, weigh."}},
	TimeLimit: {"time-limit", charge, always, 0, starting(Medium, 0, minute, 0, practice), About{
		"The run has lasted as long as it may.",
		"The deposit is as far as the time allowed.",
		"End the run, or allow it more time."}},
	MarginalGram: {"marginal-gram", charge, always, 0, starting(Low, 5*minute, 30*minute, 0.05, practice), About{
		"The energy of the next gram is above the limit set.",
		"Most of the current makes hydrogen; the deposit turns to powder.",
		"End the run unless the last metal matters more than the energy."}},
	LogDisk: {"log-disk", house, always, 0, starting(Medium, 10*second, minute, 0.05, practice), About{
		"The disk of the run log is full, read-only or failing.",
		"None yet: counting goes on in memory, but a power cut would lose it.",
		"Make room on the disk."}},
	LogAltered: {"log-altered", house, always, 0, latched(High, 0, minute), About{
		"A folder or file below the data directory was moved, deleted or edited; nightcell verify names the place.",
		"None for the deposit. The charge told may rest on a figure that nobody measured.",
		"Find out who or what touched the data directory. Compare the charge with your own notes, a weighing or an assay before you rely on the target."}},
	PushBehind: {"push-behind", house, always, 0, starting(Low, minute, minute, 0, practice), About{
		"The dashboard shows old values.",
		"None: the run log has everything, and the dashboard is filled in later.",
		"Look whether the database answers."}},
	NoticeUndeliverable: {"notice-undeliverable", house, always, 0, starting(High, 0, minute, 0, practice), About{
		"A route refuses or does not answer.",
		"None yet, but nobody would hear of an alarm on that route.",
		"See on the page what the route's error says; until it is mended stay near or use another route."}},
}
