package alerts

import (
	"cmp"
	_ "embed" // the words are a file, so that they can be read condition by condition
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"

	"nightcell/configs/quantity"
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
	return catalogue().rows[c].Name
}

// earlier are names that logs of earlier runs have, each with today's.
var earlier = map[string]string{"marginal-gram": "marginal-energy", "notice-undeliverable": "notification-undeliverable"}

// ParseCondition is the inverse of String. It knows the names of earlier logs too.
func ParseCondition(name string) (Condition, error) {
	if i := slices.IndexFunc(catalogue().rows[firstCondition:], func(e entry) bool { return e.Name == cmp.Or(earlier[name], name) }); i >= 0 {
		return firstCondition + Condition(i), nil
	}
	var names []string
	for _, e := range catalogue().rows[firstCondition:] {
		names = append(names, e.Name)
	}
	if meant := quantity.Nearest(name, names); meant != "" {
		return None, fmt.Errorf("condition %q is unknown; is %q meant?", name, meant)
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

// entry is one row of the catalogue; catalogue.toml says what each key means.
type entry struct {
	Name    string
	Group   string
	Needs   string
	Follows []string
	Setting
	About
	Fact   string
	Figure string
	Unit   string
	Diagnosis

	need    need
	follows set
}

//go:embed catalogue.toml
var catalogueTOML string

// known is what catalogue.toml holds: the starting limits, and of each condition the starting setting and the words.
type known struct {
	limits Limits
	rows   [conditionCount]entry
}

var catalogue = sync.OnceValue(func() *known {
	list, err := readCatalogue(catalogueTOML)
	if err != nil {
		panic("alerts: embedded catalogue.toml: " + err.Error()) // a test reads the table, so this cannot ship
	}
	return list
})

func readCatalogue(text string) (*known, error) {
	var file struct {
		Limits    Limits
		Condition []entry
	}
	meta, err := toml.Decode(text, &file)
	if err != nil {
		return nil, err
	}
	if len(meta.Undecoded()) > 0 || len(file.Condition) != int(conditionCount-firstCondition) {
		return nil, fmt.Errorf("%d conditions, unknown keys %v", len(file.Condition), meta.Undecoded())
	}
	list := &known{limits: file.Limits}
	copy(list.rows[firstCondition:], file.Condition)
	for i := firstCondition; i < conditionCount; i++ {
		e := &list.rows[i]
		list.limits.settings[i] = e.Setting
		n := slices.Index([]string{"", "reading", "current", "learned"}, e.Needs)
		if n < 0 {
			return nil, fmt.Errorf("%s needs %q, which is none of reading, current and learned", e.Name, e.Needs)
		}
		e.need = need(n)
		for _, name := range e.Follows {
			cause := slices.IndexFunc(list.rows[firstCondition:], func(o entry) bool { return o.Name == name })
			if cause < 0 {
				return nil, fmt.Errorf("%s follows %q, which is not a condition", e.Name, name)
			}
			e.follows |= 1 << (firstCondition + Condition(cause))
		}
	}
	return list, nil
}
