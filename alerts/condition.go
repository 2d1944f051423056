package alerts

import (
	"fmt"
	"slices"
	"strings"
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
	MarginalGram
	// The watch.
	LogDisk
	LogAltered
	PushBehind
	NoticeUndeliverable
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

// ParseCondition is the inverse of String.
func ParseCondition(name string) (Condition, error) {
	if i := slices.IndexFunc(catalogue[firstCondition:], func(e entry) bool { return e.name == name }); i >= 0 {
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
