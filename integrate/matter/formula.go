package matter

import (
	_ "embed" // what formulas say is a file, so that a chemist can check it row by row
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Formula is a parsed chemical formula. The zero Formula is empty.
type Formula struct {
	text   string // normalized: middle dots, ASCII digits, no spaces, charge as ^2+
	atoms  []Atoms
	Charge int // elementary charges, kept for the word about it; it weighs nothing here
	// Notes are words the reader of a plan should see, such as that a charge was ignored.
	Notes []string
}

// Atoms is how often an element occurs in a formula unit. The number is not
// always whole: a hemihydrate has half a water.
type Atoms struct {
	Element Element
	Number  float64
}

// String returns the formula in a normal form that parses to the same formula.
func (f Formula) String() string { return f.text }

// Atoms lists the elements in the order of the formula.
func (f Formula) Atoms() []Atoms { return slices.Clone(f.atoms) }

// Count returns how often the element with this symbol occurs.
func (f Formula) Count(symbol string) float64 {
	for _, a := range f.atoms {
		if a.Element.Symbol == symbol {
			return a.Number
		}
	}
	return 0
}

// MolarMass returns the molar mass in kg/mol and its standard uncertainty. All
// atoms of one element share one error, so u = sqrt(sum (n_i u_i)^2) with n_i atoms of element i.
func (f Formula) MolarMass() (kgPerMol, standardUncertainty float64) {
	var variance float64
	for _, a := range f.atoms {
		kgPerMol += a.Number * a.Element.Weight.Value
		variance += math.Pow(a.Number*a.Element.Weight.StandardUncertainty, 2)
	}
	return kgPerMol, math.Sqrt(variance)
}

// MassFraction returns the mass of an element per mass of the compound, and its
// standard uncertainty with the element's own error counted once, in both. It is 0 for an absent element.
func (f Formula) MassFraction(symbol string) (fraction, standardUncertainty float64) {
	total, _ := f.MolarMass()
	if total == 0 {
		return 0, 0
	}
	i := slices.IndexFunc(f.atoms, func(a Atoms) bool { return a.Element.Symbol == symbol })
	if i < 0 {
		return 0, 0
	}
	fraction = f.atoms[i].Number * f.atoms[i].Element.Weight.Value / total
	var variance float64
	for j, a := range f.atoms {
		sensitivity := -fraction * a.Number / total
		if j == i {
			sensitivity = (1 - fraction) * a.Number / total
		}
		variance += math.Pow(sensitivity*a.Element.Weight.StandardUncertainty, 2)
	}
	return fraction, math.Sqrt(variance)
}

// Medium guesses the medium that a salt makes when dissolved in water, from its
// anion. It is empty for oxides, carbonates and whatever else takes an acid to dissolve.
func (f Formula) Medium() Medium {
	if f.hydroxo() {
		return Alkaline
	}
	for _, row := range formulas().Medium {
		if f.shows(row.anion) {
			return row.Name
		}
	}
	if f.Chloride() {
		return Chloride
	}
	return ""
}

//go:embed formulas.toml
var formulasTOML string

// formulas is what the formula of a salt says by its anion; formulas.toml says what each key means.
var formulas = Table("formulas.toml", formulasTOML, func(file *formulasFile) (*formulasFile, error) { return file, nil })

type formulasFile struct {
	Medium []struct {
		anion
		Name Medium
	}
	State []struct {
		anion
		Of     []string
		State  float64
		Unless []string
	}
}

// anion is what in a formula shows one.
type anion struct{ Text, Atoms, Without []string }

func (f Formula) shows(a anion) bool {
	has := func(symbol string) bool { return f.Count(symbol) > 0 }
	lacks := func(symbol string) bool { return !has(symbol) }
	return (a.Text == nil || f.contains(a.Text)) && !slices.ContainsFunc(a.Atoms, lacks) && !slices.ContainsFunc(a.Without, has)
}

// contains says whether one of the parts stands in the formula as it is written.
func (f Formula) contains(parts []string) bool {
	return slices.ContainsFunc(parts, func(p string) bool { return strings.Contains(f.text, p) })
}

// Chloride says whether the formula holds chlorine as chloride, and not in chlorate or perchlorate.
func (f Formula) Chloride() bool { return f.Count("Cl") > 0 && !strings.Contains(f.text, "ClO") }

// Ammonium says whether the formula brings ammonium or ammonia.
func (f Formula) Ammonium() bool {
	return strings.Contains(f.text, "NH4") || strings.Contains(f.text, "NH3")
}

// hydroxo says whether the formula is caustic alkali, or an alkali zincate, stannate, gallate or
// tellurite: alkali metal, hydrogen or one of these, oxygen, and nothing else.
func (f Formula) hydroxo() bool {
	alkali, metal := false, false
	for _, a := range f.atoms {
		switch a.Element.Symbol {
		case "Na", "K":
			alkali = true
		case "Zn", "Sn", "Ga", "Te":
			metal = true
		case "O", "H":
		default:
			return false
		}
	}
	return alkali && (metal || f.Count("H") > 0) && f.Count("O") > 0
}

// collect turns counted elements into atoms in order of first mention and joins repeats.
func collect(counted []Atoms) []Atoms {
	var out []Atoms
	for _, a := range counted {
		i := slices.IndexFunc(out, func(o Atoms) bool { return o.Element.Symbol == a.Element.Symbol })
		if i < 0 {
			out = append(out, a)
			continue
		}
		out[i].Number += a.Number
	}
	return out
}

// The bounds keep a typing slip or a hostile configuration from costing time.
const (
	longestFormula = 200  // characters
	largestNumber  = 9999 // a subscript or multiplier
	deepestNesting = 16   // brackets
)

// ParseFormula reads a chemical formula: elements, subscripts, nested round,
// square and curly brackets, and parts joined by a dot (·, * or .), each with a
// multiplier that may be a decimal, such as ZnSO4·7H2O or CaSO4·0.5H2O. A charge
// (^2+, ²⁺, or a bare sign after a letter or a square bracket) is kept and ignored, with a note.
//
// What could be read in two ways is refused rather than guessed: NH4+ (write
// NH4^+), Zn2+ (write Zn^2+), Fe0.95O (a full stop between digits joins parts
// only before a solvate such as water).
func ParseFormula(text string) (Formula, error) {
	f, err := parseFormula(text)
	if err != nil {
		return Formula{}, fmt.Errorf("formula %q: %w", text, err)
	}
	return f, nil
}

// watered is a salt with its water of crystallization, and no dot between them.
var watered = regexp.MustCompile(`[A-Za-z)\]}][0-9][1-9][0-9]*H2O$`)

func parseFormula(text string) (Formula, error) {
	if len(text) > longestFormula {
		return Formula{}, fmt.Errorf("longer than %d characters; give one salt", longestFormula)
	}
	plain, err := normalize(text)
	if err != nil {
		return Formula{}, err
	}
	if !strings.HasPrefix(plain, "EDTA") { // which may be the acid or its ion
		plain = strings.ReplaceAll(plain, "EDTA", "(C10H12N2O8)")
	}
	body, charge, err := splitCharge(plain)
	if err != nil {
		return Formula{}, err
	}
	if body == "" {
		return Formula{}, fmt.Errorf("empty; write it like ZnSO4·7H2O")
	}
	var counted []Atoms
	parts := splitParts(body)
	for i, part := range parts {
		if part == "" {
			return Formula{}, fmt.Errorf("a dot with nothing on one side of it; write it like ZnSO4·7H2O")
		}
		if watered.MatchString(part) { // with the digits run together it would read as one large subscript
			return Formula{}, fmt.Errorf("a dot is missing before the water; write it like ZnSO4·7H2O")
		}
		atoms, number, err := readPart(part)
		if err != nil {
			return Formula{}, err
		}
		if i == 0 && len(parts) == 1 && number != 1 {
			return Formula{}, fmt.Errorf("the %g in front multiplies the whole formula; leave it out and give the mass", number)
		}
		counted = append(counted, atoms...)
	}
	f := Formula{atoms: collect(counted), text: strings.Join(parts, "·"), Charge: charge}
	if charge != 0 {
		signed := fmt.Sprintf("%+d", charge)
		raised := signed[1:] + signed[:1]
		f.text += "^" + raised
		f.Notes = append(f.Notes, fmt.Sprintf("the charge %s of %s is ignored: electrons hardly weigh", raised, text))
	}
	return f, nil
}

const (
	digits       = "0123456789"
	subscripts   = "₀₁₂₃₄₅₆₇₈₉"
	superscripts = "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻" // digits and signs
)

// normalize turns the many ways of writing into one: middle dots, plain digits,
// ^ before a superscript charge; it drops spaces around dots and refuses others.
func normalize(text string) (string, error) {
	var out strings.Builder
	raised := false
	for _, r := range strings.TrimSpace(text) {
		below, above := slices.Index([]rune(subscripts), r), slices.Index([]rune(superscripts), r)
		switch {
		case strings.ContainsRune("·•∙⋅*", r):
			out.WriteRune('·')
		case r == '½':
			out.WriteString("0.5")
		case below >= 0:
			out.WriteByte(digits[below])
		case above >= 0:
			if !raised {
				out.WriteByte('^')
			}
			raised = true
			out.WriteByte((digits + "+-")[above])
		case r == '−' || r == '–':
			out.WriteByte('-')
		case unicode.IsSpace(r):
			out.WriteByte(' ')
		case r < 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("()[]{}.^+-", r)):
			out.WriteRune(r)
		case r == ',':
			return "", fmt.Errorf("a comma has no place in it; join parts with a dot, like ZnSO4·7H2O, and write decimals with a point")
		default:
			return "", fmt.Errorf("%q has no place in it", r)
		}
	}
	fields := strings.Fields(out.String())
	for i := 1; i < len(fields); i++ {
		before, after := fields[i-1], fields[i]
		if !strings.HasSuffix(before, "·") && !strings.HasSuffix(before, ".") && !strings.HasPrefix(after, "·") && !strings.HasPrefix(after, ".") {
			return "", fmt.Errorf("a space between %q and %q; join parts with a dot, like ZnSO4·7H2O", before, after)
		}
	}
	return strings.Join(fields, ""), nil
}

// splitCharge cuts a charge off the end.
func splitCharge(text string) (body string, charge int, err error) {
	body, raised, found := strings.Cut(text, "^")
	if !found {
		body = strings.TrimRight(text, "+-")
		raised = text[len(body):]
		if raised == "" {
			return text, 0, nil
		}
		bare := strings.TrimRight(body, digits)
		if bare != body {
			if !strings.HasSuffix(bare, "]") {
				return "", 0, fmt.Errorf("it is not clear whether the digits before %q count atoms or charge; write %s^%s%s or %s^%s", raised, bare, body[len(bare):], raised, body, raised)
			}
			raised, body = body[len(bare):]+raised, bare
		}
	}
	number := strings.Trim(raised, "+-")
	signs := strings.Replace(raised, number, "", 1)
	if signs == "" || strings.Trim(signs, signs[:1]) != "" || (number != "" && len(signs) != 1) || len(signs) > 9 {
		return "", 0, fmt.Errorf("%q is not a charge; write it like ^2+", raised)
	}
	charge = len(signs)
	if number != "" {
		charge, err = strconv.Atoi(number)
		if err != nil || charge < 1 || charge > 9 {
			return "", 0, fmt.Errorf("%q is not a charge; write it like ^2+", raised)
		}
	}
	if signs[0] == '-' {
		charge = -charge
	}
	return body, charge, nil
}

// splitParts cuts at the dots that join parts. It leaves a full stop between digits where it is a decimal point, which it is in the number that begins a
// part, and where no solvate follows, so that readPart refuses the decimal subscript by name.
func splitParts(text string) []string {
	var parts []string
	start := 0
	for i, r := range text {
		switch {
		case r == '.' && i > start && isDigit(text[i-1]) && i+1 < len(text) && isDigit(text[i+1]) &&
			(strings.Trim(text[start:i], digits) == "" || !beginsSolvate(text[i+1:])):
		case r == '.' || r == '·':
			parts = append(parts, text[start:i])
			start = i + utf8.RuneLen(r)
		}
	}
	return append(parts, text[start:])
}

// beginsSolvate tells whether the part of a formula that a text begins with is so much of a solvate.
func beginsSolvate(text string) bool {
	part := strings.TrimLeft(text, digits+".")
	if end := strings.IndexAny(part, ".·"); end >= 0 {
		part = part[:end]
	}
	return slices.Contains([]string{"H2O", "(H2O)", "OH2", "NH3", "HCl", "H2O2", "C2H5OH", "CH3OH"}, part)
}

func isDigit(b byte) bool { return '0' <= b && b <= '9' }
