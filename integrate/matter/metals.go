package matter

import (
	"fmt"
	"slices"
	"strings"
)

// Metal is one row of the table of metals. Get it from LookUp or Metals.
type Metal struct {
	Element   Element   `toml:"symbol"`
	Density   Figure    // of the solid, kg/m3
	Couples   []Couple  `toml:"couple"`
	Windows   []Window  `toml:"window"`
	Stops     []Stop    `toml:"stop"`
	Cautions  []Caution `toml:"caution"`
	Depletion Depletion
	Interrupt Interruption `toml:"interruption"`
	Store     Storage
	Fading    Fade    `toml:"fade"` // the zero Fade: nothing is known of it
	Oxides    []Oxide `toml:"oxide"`
}

// Couple is a reduction to the metal in some media.
type Couple struct {
	Media     []Medium
	Valence   int     // electrons per atom of metal
	Reaction  string  // as the source prints it
	Potential Figure  // standard potential, V against SHE at 25 °C
	Enthalpy  Figure  // of formation of the plain ion in water at 25 °C, J/mol
	Protons   float64 // H+ consumed per atom of metal
	Ligand    string  // what is set free, empty for a plain ion: cyanide, hydroxide, chloride
	Ligands   float64
}

// Window holds what is usual in a medium.
type Window struct {
	Media          []Medium
	CurrentDensity Range `toml:"density"` // A/m2
	Temperature    Range // K
	PH             Range
	CellVoltage    Range `toml:"cell"` // V
	Efficiency     Range // fraction, in an expert's bath
	Needs          Needs `toml:"without"`
	Concentration  Range // kg/m3 of metal
}

// Condition is what makes a bath an expert's.
type Condition string

// The conditions. Purified means that what is nobler than the metal was taken out.
const (
	Purified         Condition = "purified"
	Divided          Condition = "divided"
	Buffered         Condition = "buffered"
	RightDensity     Condition = "density"
	RightTemperature Condition = "temperature"
)

// Need says how low the efficiency may fall in a bath of which the condition is not shown. Common practice, no source.
type Need struct {
	Condition Condition
	Lowest    float64 // fraction
}

// Needs are those of a window, the costliest first.
type Needs []Need

// Remedy says what a person does to meet a condition of the window.
func (w Window) Remedy(c Condition) string {
	switch c {
	case Purified:
		return "take out what is nobler than the metal"
	case Divided:
		return "divide the cell"
	case Buffered:
		return "buffer the bath with an ammonium salt or boric acid"
	case RightDensity:
		return fmt.Sprintf("run at %.4g to %.4g A/m²", w.CurrentDensity.Low, w.CurrentDensity.High)
	}
	return fmt.Sprintf("keep the bath at %.3g to %.3g °C", w.Temperature.Low-ZeroCelsius, w.Temperature.High-ZeroCelsius)
}

// SafeState is what to do with the output at the end.
type SafeState string

// The safe states.
const (
	Off         SafeState = "off"
	Hold        SafeState = "hold"          // a low protective current
	LiftThenOff SafeState = "lift-then-off" // a person goes down to Hold, lifts the cathode slowly, then switches off
)

// Words says what a person does for it. Nobody breaks the circuit at full current:
// it parts at the surface of the liquid, in hydrogen, and at constant current the supply goes to its
// voltage limit and sparks. Common practice, no source.
func (s SafeState) Words() string {
	switch s {
	case LiftThenOff:
		return "have the fan on and a face shield on, turn the current down to the hold current and the voltage limit to just above what the cell then shows, lift the cathode out slowly, then switch off"
	case Hold:
		return "go down to a low hold current"
	}
	return "switch off"
}

// Stop is the safe end of a run in some media.
type Stop struct {
	Media      []Medium
	State      SafeState // with a person at the cell
	Unattended SafeState // with nobody there
	Why        string
	Mark       Mark `toml:"-"`
	Source     string
}

// Caution is a thing to know before a run in some media.
type Caution struct {
	Media  []Medium
	Acid   bool // only where the anode makes acid: not with one that dissolves, nor with one that makes chlorine
	Danger bool // it can hurt somebody
	Text   string
	Mark   Mark `toml:"-"`
	Source string
}

// Depletion says whether the end of the metal shows in the cell voltage at constant current.
type Depletion struct {
	Visible bool
	Why     string
	Mark    Mark `toml:"-"`
	Source  string
}

// Interruption says how long the current may be missing before the deposit suffers.
type Interruption struct {
	Tolerance Figure `toml:"seconds"` // s
	Why       string
}

// Storage says how the dried deposit is kept so that it does not oxidise.
type Storage struct {
	Text   string
	Mark   Mark `toml:"-"`
	Source string
}

// Fade says that the efficiency falls with the bath, long before the transfer of
// metal limits the current.
type Fade struct {
	Media  []Medium
	Beyond float64 // share of the metal recovered from which on it is felt
	Why    string
	Mark   Mark `toml:"-"`
	Source string
}

// Oxide is what an insoluble anode makes of the metal, and the share of its charge that it takes for it.
type Oxide struct {
	Media     []Medium
	Anodes    []string // materials; empty: any
	Formula   string
	Electrons int   // per atom of metal
	Undivided Range `toml:"share"`
	Divided   Range `toml:"separated"` // with a separator: only what crosses it is there
}

// Metals lists the table in the order of symbols.
func Metals() []Metal { return slices.Clone(metals()) }

// LookUp finds a metal by symbol or English name.
func LookUp(name string) (Metal, error) {
	var symbols []string
	for _, m := range metals() {
		if m.Element.Symbol == name || strings.EqualFold(m.Element.Name, name) {
			return m, nil
		}
		symbols = append(symbols, m.Element.Symbol)
	}
	for _, m := range metals() {
		if strings.EqualFold(m.Element.Symbol, name) {
			return Metal{}, fmt.Errorf("metal %q: %s is written %s", name, m.Element.Name, m.Element.Symbol)
		}
	}
	for _, e := range elements() {
		if e.Symbol == name || strings.EqualFold(e.Name, name) {
			return Metal{}, fmt.Errorf("metal %q: %s is not in the table of metals; the table has %s", name, e.Name, strings.Join(symbols, ", "))
		}
	}
	return Metal{}, fmt.Errorf("metal %q: no such metal; the table has %s", name, strings.Join(symbols, ", "))
}

// WinnableIn lists the metals of the table that occur in a formula, in its order.
func WinnableIn(f Formula) []Metal {
	var found []Metal
	for _, a := range f.atoms {
		if m, err := LookUp(a.Element.Symbol); err == nil {
			found = append(found, m)
		}
	}
	return found
}

// String returns the symbol.
func (m Metal) String() string { return m.Element.Symbol }

// Couple returns the reduction that holds in a medium, of the given valence if
// it is not 0. An unknown medium gets the row for any medium. A complex of another medium is
// never taken for a stated valence: its potential would be off by tenths of a volt.
func (m Metal) Couple(medium Medium, valence int) (Couple, error) {
	for _, c := range m.Couples {
		if covers(c.Media, medium) && (valence == 0 || c.Valence == valence) {
			return c, nil
		}
	}
	elsewhere := Couple{}
	for _, c := range m.Couples {
		switch {
		case valence == 0 || c.Valence == valence && (c.Ligand == "" || !medium.Known()):
			return c, nil
		case c.Valence == valence:
			elsewhere = c
		}
	}
	if elsewhere.Valence != 0 {
		return Couple{}, fmt.Errorf("%s with valence %d is in the table of metals for %s alone, not for %s", m.Element.Name, valence, MediaWords(elsewhere.Media), medium)
	}
	return Couple{}, fmt.Errorf("%s with valence %d is not in the table of metals; it has valence %s", m.Element.Name, valence, m.valences())
}

// MediaWords lists media in words.
func MediaWords(media []Medium) string {
	var words []string
	for _, medium := range media {
		words = append(words, string(medium))
	}
	return strings.Join(words, ", ")
}

func (m Metal) valences() string {
	var texts []string
	for _, c := range m.Couples {
		if text := fmt.Sprint(c.Valence); !slices.Contains(texts, text) {
			texts = append(texts, text)
		}
	}
	return strings.Join(texts, ", ")
}

// Equivalent returns the electrochemical equivalent in kg/C for a valence: M / (n F).
func (m Metal) Equivalent(valence int) Figure {
	w := m.Element.Weight
	f := float64(valence) * Faraday
	return Figure{Value: w.Value / f, StandardUncertainty: w.StandardUncertainty / f, Mark: w.Mark, Source: w.Source + ", CODATA"}
}

// first is the first row of a table that holds.
func first[T any](rows []T, holds func(T) bool) (row T, ok bool) {
	if i := slices.IndexFunc(rows, holds); i >= 0 {
		return rows[i], true
	}
	return row, false
}

// Window returns what is usual in a medium; ok is false when the table has nothing for it.
func (m Metal) Window(medium Medium) (w Window, ok bool) {
	return first(m.Windows, func(w Window) bool { return covers(w.Media, medium) })
}

// Stop returns the safe end of a run in a medium.
func (m Metal) Stop(medium Medium) Stop {
	stop, _ := first(m.Stops, func(s Stop) bool { return covers(s.Media, medium) })
	return stop
}

// Fade returns how the efficiency falls in a medium; ok is false when the table says nothing of it.
func (m Metal) Fade(medium Medium) (f Fade, ok bool) {
	return first([]Fade{m.Fading}, func(f Fade) bool { return covers(f.Media, medium) })
}

// Oxide returns what an anode of a material, "" if it is unknown, makes of the metal in a medium; ok is false when it takes none.
func (m Metal) Oxide(medium Medium, anode string) (o Oxide, ok bool) {
	return first(m.Oxides, func(o Oxide) bool {
		return covers(o.Media, medium) && (o.Anodes == nil || slices.Contains(o.Anodes, anode))
	})
}

// PerFaraday returns the mol of H+ that a faraday of the oxide sets free and the mol of water that it takes: M + x·H2O = MOx + 2x·H+ with the
// oxygen and hydrogen of the formula. The zero Oxide has neither.
func (o Oxide) PerFaraday(metal Metal) (acid, water float64) {
	f, err := ParseFormula(o.Formula)
	if err != nil || o.Electrons == 0 {
		return 0, 0
	}
	per := f.Count(metal.String()) * float64(o.Electrons)
	return (2*f.Count("O") - f.Count("H")) / per, f.Count("O") / per
}

// CautionsIn returns what to know before a run in a medium.
func (m Metal) CautionsIn(medium Medium) []Caution {
	return slices.DeleteFunc(slices.Clone(m.Cautions), func(c Caution) bool { return !covers(c.Media, medium) })
}
