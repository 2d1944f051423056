package control

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// Names in the log that the account of a run looks for.
const (
	EntryPhoto    = "photo"
	EntryStripped = "stripped" // an electrode carries nothing any more
	EntryCost     = "cost"
	CostAmount    = "amount"
	GapIndex      = "index" // of the gap that is settled
	GapOff        = "off"   // in place of its charges: the output was off from this time of day, 02:10 at the daemon, or RFC 3339, to its end
)

// Names of entries and words that the checklist of the end is made from: see daemon/finish.
const (
	EntryChecklist = "checklist"
	EntryIdentity  = "identity"
	EntryDiscarded = "discarded"
	ItemDone       = "done"
	ItemLeftOut    = "left-out"
)

// checklistItems are the items of the checklist, and what may be said of one.
var (
	checklistItems = []string{"protection", "hold", "lift", "off", "rinse", "dry", "weigh", "anode", "identity", "store", "bath", "anolyte", "photo", "cost"}
	checklistWords = []string{ItemDone, ItemLeftOut, "keep", "regenerate", "neutralise"}
)

// EntryKind says what may be written with one kind of entry, on the command line, through the socket and on the page alike.
type EntryKind struct {
	Name   string
	About  string
	Fields []EntryField
	// AnyOf are names in the log of which an entry needs one: nought is a figure too, and an assay that
	// found nothing is another thing than one that nobody wrote down.
	AnyOf     []string
	NeedsText bool // the text is what the entry is about
	Bare      bool // it says enough by itself
	// Desk says that it takes the command line beside the data: a file to copy, or an entry to find.
	Desk bool
}

// EntryField is a quantity of one of several dimensions, or a word if there are none.
type EntryField struct {
	Name     string // as it is written: NAME=VALUE
	Label    string
	Example  string
	Required bool
	Choices  []string // the words that a field without units may have; nil: any
	sign     sign
	Units    []EntryUnit
}

// EntryUnit is one dimension of a field and the field's name in the log, SI unit last.
type EntryUnit struct {
	Dimension quantity.Dimension
	Log       string
}

func field(name, label, example string, units ...EntryUnit) EntryField {
	return EntryField{Name: name, Label: label, Example: example, Units: units}
}

func (f EntryField) required() EntryField {
	f.Required = true
	return f
}

func (f EntryField) oneOf(words []string) EntryField {
	f.Choices = words
	return f
}

func (f EntryField) signed() EntryField {
	f.sign = anySign
	return f
}

func (f EntryField) aboveZero() EntryField {
	f.sign = aboveZero
	return f
}

// sign says which figures of a field are possible at all.
type sign uint8

const (
	zeroOrAbove sign = iota
	aboveZero
	anySign
)

// EntryKinds lists the kinds that a person may write, in the order in which they are offered.
func EntryKinds() []EntryKind {
	mass := func(label, example string) EntryField {
		return field("mass", label, example, EntryUnit{quantity.Mass, bath.Mass})
	}
	volume := func(label, example string) EntryField {
		return field("volume", label, example, EntryUnit{quantity.Volume, bath.LiquidVolume})
	}
	concentration := func(label, example string) EntryField {
		return field("concentration", label, example, EntryUnit{quantity.MassConcentration, bath.PerMass}, EntryUnit{quantity.AmountConcentration, bath.PerMole})
	}
	liquid := []string{bath.LiquidVolume}
	return []EntryKind{
		{Name: "remark", About: "anything else worth recording", NeedsText: true},
		{Name: bath.EntryMeasurement, About: "a value read by hand", Fields: []EntryField{
			field("temperature", "Temperature", "42 degC", EntryUnit{quantity.Temperature, bath.EnteredKelvin}),
			field("ph", "pH", "1.4", EntryUnit{quantity.Number, bath.EnteredPH}).signed(),
			field("conductivity", "Conductivity", "18 S/m", EntryUnit{quantity.Conductivity, "conductivity_siemens_per_metre"}).aboveZero(),
			volume("Volume of the bath", "0.88 L"),
		}},
		{Name: bath.EntryAssay, About: "metal concentration of the bath", Fields: []EntryField{
			concentration("Metal in the bath", "12.4 g/L").required(),
		}, AnyOf: []string{bath.PerMole, bath.PerMass}},
		{Name: bath.EntrySample, About: "bath removed for analysis", Fields: []EntryField{volume("Volume taken", "5 mL").required()}, AnyOf: liquid},
		{Name: bath.EntryWater, About: "water added; negative: lost by evaporation", Fields: []EntryField{volume("Volume added", "50 mL").signed().required()}, AnyOf: liquid},
		{Name: bath.EntryAddition, About: "salt or solution added to the bath; with a formula, the concentration is of the salt", Fields: []EntryField{
			field("formula", "Formula of the salt", "ZnSO4·7H2O"),
			mass("Mass of the salt", "50 g"),
			field("assay", "Share of the formula in it", "99 %", EntryUnit{quantity.Fraction, bath.AssayRatio}),
			volume("Volume of the solution", "100 mL"),
			concentration("Concentration of the solution", "260 g/L"),
		}, AnyOf: []string{bath.Mass, bath.LiquidVolume}},
		{Name: bath.EntryDose, About: "acid or base added to the bath; the concentration is of the formula", Fields: []EntryField{
			field("formula", "Formula of the acid or base", "H2SO4").required(),
			mass("Mass", "5 g"),
			field("assay", "Share of the formula in it", "96 %", EntryUnit{quantity.Fraction, bath.AssayRatio}),
			volume("Volume of the solution", "10 mL"),
			concentration("Concentration of the solution", "1 mol/L"),
		}, AnyOf: []string{bath.Mass, bath.LiquidVolume}},
		{Name: "level", About: "level of the bath", Fields: []EntryField{
			field("level", "Level above the bottom or a mark", "82 mm", EntryUnit{quantity.Length, "level_metres"}).required(),
			field("side", "Which side, and which mark", "catholyte"),
		}, AnyOf: []string{"level_metres"}},
		{Name: bath.EntryWeighing, About: "mass of the deposit, or of the electrode before and after; of electrode=anode: of the oxide on it", Fields: []EntryField{
			mass("Mass of the dry deposit", "31.24 g"),
			field("before", "Electrode before", "18.20 g", EntryUnit{quantity.Mass, bath.MassBefore}).aboveZero(),
			field("after", "Electrode after, dry", "49.44 g", EntryUnit{quantity.Mass, bath.MassAfter}).aboveZero(),
			field(bath.Electrode, "Which electrode", "cathode"),
		}},
		{Name: bath.EntryDried, About: "mass of the deposit after further drying, towards constant mass", Fields: []EntryField{
			mass("Mass of the deposit", "31.20 g").required(),
			field("temperature", "Dried at", "60 degC", EntryUnit{quantity.Temperature, bath.EnteredKelvin}),
		}, AnyOf: []string{bath.Mass}},
		{Name: EntryIdentity, About: "identity test of the deposit: a result, or a piece dissolved in acid and its gas measured over water", Fields: []EntryField{
			field("result", "Result", "yes"),
			field("method", "Method", "dissolved in 2 mol/L HCl"),
			mass("Mass of the piece", "0.25 g"),
			field("assay", "Share of the metal, by assay", "99.5 %", EntryUnit{quantity.Fraction, bath.AssayRatio}),
			field("gas", "Volume of the gas", "96 mL", EntryUnit{quantity.Volume, "gas_cubic_metres"}),
			field("temperature", "Temperature of the gas", "21 degC", EntryUnit{quantity.Temperature, bath.EnteredKelvin}),
			field("pressure", "Pressure of the air", "1013 hPa", EntryUnit{quantity.Pressure, "pressure_pascals"}).aboveZero(),
		}},
		{Name: bath.EntrySludge, About: "dry oxide from the anode, or other sludge that contains bath metal", Fields: []EntryField{
			mass("Mass of the dry sludge", "2.4 g").required(),
			field("assay", "Share of the metal in it", "60 %", EntryUnit{quantity.Fraction, bath.AssayRatio}),
		}, AnyOf: []string{bath.Mass}},
		{Name: bath.EntryElectrode, About: "an electrode changed or moved", Fields: []EntryField{
			field(bath.Electrode, "Which electrode", "cathode").required(),
			field("area", "Wetted area", "60 cm2", EntryUnit{quantity.Area, bath.CathodeArea}).aboveZero(),
			field("gap", "Gap between the electrodes", "30 mm", EntryUnit{quantity.Length, "gap_metres"}).aboveZero(),
			field("material", "Material", "aluminium"),
		}},
		{Name: EntryStripped, About: "an electrode of the deposit it carried; for the ledger of an electrode", Fields: []EntryField{mass("Mass that came off", "31.2 g")}, Bare: true, Desk: true},
		{Name: EntryDiscarded, About: "waste after the run (what leaves the bath during the run is a sample)", Fields: []EntryField{
			field("what", "What", "anolyte").required(),
			volume("Volume", "0.4 L"),
			mass("Mass", "120 g"),
			field("to", "Where to", "waste acid"),
		}},
		{Name: EntryChecklist, About: "an item of the checklist of the end, done or, with the reason as text, left out; nightcell finish walks it", Fields: []EntryField{
			field("item", "Item", "rinse").oneOf(checklistItems).required(),
			field("choice", "What was done", ItemDone).oneOf(checklistWords).required(),
		}},
		{Name: EntryCost, About: "a cost", Fields: []EntryField{
			field("amount", "Amount", "3.20", EntryUnit{quantity.Number, CostAmount}).required(),
			field("currency", "Currency by its three letters", "EUR").required(),
			field("for", "For what", "salt"),
		}, AnyOf: []string{CostAmount}},
		{Name: EntryPhoto, About: "a picture, copied beside the log with its SHA-256", Fields: []EntryField{
			field("file", "File", "deposit.jpg").required(),
			field("sha256", "SHA-256 of the file", ""),
		}, Desk: true},
		{Name: runlog.EntryRetract, About: "retracts an entry by its name; nothing is deleted", Fields: []EntryField{
			field(runlog.RetractedEntry, "Name of the entry", "5f0c1a9e").required(),
		}, Desk: true},
		{Name: "zero", About: "ammeter reading with no current", Fields: []EntryField{
			field("current", "Reading", "4 mA", EntryUnit{quantity.Current, "amperes"}).signed().required(),
			field("uncertainty", "Standard uncertainty", "1 mA", EntryUnit{quantity.Current, "standard_uncertainty"}),
		}, AnyOf: []string{"amperes"}},
		{Name: "check", About: "true current over reading, from a comparison", Fields: []EntryField{
			field("factor", "Factor", "1.002", EntryUnit{quantity.Number, "factor"}).required(),
			field("uncertainty", "Standard uncertainty", "0.001", EntryUnit{quantity.Number, "standard_uncertainty"}),
		}, AnyOf: []string{"factor"}},
		{Name: runlog.EntrySettle, About: "states the charge of a gap: gap with low, best, high; or gap with off, the time the output went off", Fields: []EntryField{
			field("gap", "Number of the gap", "0", EntryUnit{quantity.Number, GapIndex}).required(),
			field("low", "Least charge", "0 C", EntryUnit{quantity.Charge, "low"}).signed(),
			field("best", "Best value of the charge", "300 C", EntryUnit{quantity.Charge, "best"}).signed(),
			field("high", "Most charge", "310 C", EntryUnit{quantity.Charge, "high"}).signed(),
			field(GapOff, "Output off since", "02:10"),
		}},
		{Name: bath.EntryConfirm, About: "confirms another person's entry that contradicted the mass balance", Bare: true},
	}
}

// KindOfEntry finds a kind by its name.
func KindOfEntry(name string) (EntryKind, bool) {
	kinds := EntryKinds()
	i := slices.IndexFunc(kinds, func(k EntryKind) bool { return k.Name == name })
	if i < 0 {
		return EntryKind{}, false
	}
	return kinds[i], true
}

// kindNames lists the names of the kinds.
func kindNames() (names []string) {
	for _, k := range EntryKinds() {
		names = append(names, k.Name)
	}
	return names
}

// FieldNames lists what may be written with a kind.
func (k EntryKind) FieldNames() string {
	var names []string
	for _, f := range k.Fields {
		names = append(names, f.Name)
	}
	return cmp.Or(strings.Join(names, ", "), "a text only")
}

// ParseEntry reads the values of one kind into SI units. Its errors are mistakes of who wrote them.
func ParseEntry(kind string, values map[string]string, text string) (Entry, error) {
	k, found := KindOfEntry(kind)
	if !found {
		return Entry{}, BadRequest("there is no entry of kind %q; the kinds are %s", kind, strings.Join(kindNames(), ", "))
	}
	e := Entry{Kind: kind, Text: text, Numbers: map[string]float64{}, Words: map[string]string{}}
	for name := range values {
		if !slices.ContainsFunc(k.Fields, func(f EntryField) bool { return f.Name == name }) {
			return Entry{}, BadRequest("an entry of kind %s has no %q; it has: %s", kind, name, k.FieldNames())
		}
	}
	for _, f := range k.Fields {
		value, given := values[f.Name]
		switch {
		case !given && f.Required:
			return Entry{}, BadRequest("an entry of kind %s needs %s; write %s=%s", kind, f.Name, f.Name, f.Example)
		case !given:
		case len(f.Units) == 0:
			if err := f.allows(value); err != nil {
				return Entry{}, err
			}
			e.Words[f.Name] = value
		default:
			if err := f.parse(value, e.Numbers); err != nil {
				return Entry{}, BadRequest("%s: %v", f.Name, err)
			}
		}
	}
	for _, of := range []string{"amperes", "factor"} { // of a zero or check; a ± is a half-width (JCGM 100, 4.3.7)
		if half, stated := e.Numbers[of+"_plus_minus"]; stated && values["uncertainty"] == "" {
			e.Numbers["standard_uncertainty"] = half / math.Sqrt(3)
			delete(e.Numbers, of+"_plus_minus")
		}
	}
	switch {
	case text != "" || k.Bare:
	case k.NeedsText:
		return Entry{}, BadRequest("an entry of kind %s needs a text", kind)
	case len(values) == 0:
		return Entry{}, BadRequest("the entry is empty; give a text or values (%s)", k.FieldNames())
	}
	return e, e.Check()
}

// parse reads a quantity into numbers, with its uncertainty if it states one.
func (f EntryField) parse(s string, numbers map[string]float64) error {
	dimensions := make([]quantity.Dimension, len(f.Units))
	for i, u := range f.Units {
		dimensions[i] = u.Dimension
	}
	v, err := quantity.ParseAny(s, dimensions...)
	if err != nil {
		return err
	}
	for _, u := range f.Units {
		if u.Dimension != v.Dimension {
			continue
		}
		numbers[u.Log] = v.SI
		if !math.IsNaN(v.PlusMinus) {
			numbers[u.doubt()] = v.PlusMinus
		}
	}
	return nil
}

// doubt is the name in the log of what was written after ±.
func (u EntryUnit) doubt() string {
	about, unit, _ := strings.Cut(u.Log, "_")
	return strings.TrimSuffix(about+"_plus_minus_"+unit, "_")
}
