package matter

import "slices"

// Medium is what the metal is dissolved in, as far as electrolysis cares.
type Medium string

// The media.
const (
	Sulfate          Medium = "sulfate"
	Chloride         Medium = "chloride"
	Nitrate          Medium = "nitrate"
	Sulfamate        Medium = "sulfamate"
	Methanesulfonate Medium = "methanesulfonate"
	Fluoborate       Medium = "fluoborate" // and fluosilicate
	Cyanide          Medium = "cyanide"
	Alkaline         Medium = "alkaline" // metal dissolved as hydroxo complex
	Ammine           Medium = "ammine"   // metal dissolved as ammonia complex
	Sulfide          Medium = "sulfide"
	Chromic          Medium = "chromic" // chromic acid
	anyMedium        Medium = "any"     // in the table: whatever is not listed
)

// Media lists every Medium.
func Media() []Medium {
	return []Medium{Sulfate, Chloride, Nitrate, Sulfamate, Methanesulfonate, Fluoborate, Cyanide, Alkaline, Ammine, Sulfide, Chromic}
}

// Known says whether m is one of Media.
func (m Medium) Known() bool { return slices.Contains(Media(), m) }

// Acidic says whether baths of this medium are usually acid or can be, so that
// a deposit meets acid when the current stops.
func (m Medium) Acidic() bool { return m != Cyanide && m != Alkaline && m != Sulfide && m != Ammine }

// Anionic says whether the metal is mostly in an anion, such as a cyanide complex, which the field drives to the anode.
func (m Medium) Anionic() bool { return m == Cyanide || m == Alkaline || m == Sulfide || m == Chromic }

// covers says whether a table row for these media holds for m.
func covers(media []Medium, m Medium) bool {
	return slices.Contains(media, m) || slices.Contains(media, anyMedium)
}
