package electrolysis

import (
	_ "embed" // the tables are a file, so that a chemist can check them row by row
	"math"
	"slices"

	"nightcell/integrate/matter"
)

//go:embed materials.toml
var materialsTOML string

// materials are the tables of materials.toml, which says what each is.
type materials struct {
	Blanks   []string
	Reaction []struct {
		rule
		Reaction
		Acid float64
	}
	Surface []surface
	Cathode []struct {
		rule
		Own     bool
		Verdict Verdict
		Advice  string
	}
	Anode []struct {
		Material         string
		Words            []string
		Oxygen, Chlorine spread
	}
	AnodeAdvice []struct {
		rule
		Advice string
	} `toml:"anode_advice"`
	Overpotential []struct {
		Metals []string
		Volts  spread
	}
	Conductivity []conductivity
	Separator    []separator
}

type conductivity struct {
	rule
	Neutral, Acid, Most float64
}

type separator struct {
	Name             Separator
	Resistance, Acid spread
	ResistanceSource string `toml:"resistance_source"`
	AcidSource       string `toml:"acid_source"`
	Metal            [2]float64
}

// rule is what a row holds for; what it does not name may be any.
type rule struct {
	Materials []string
	Metals    []string
	Media     []matter.Medium
	NotIn     []matter.Medium `toml:"not_in"`
	Chloride  *bool
}

func (r *rule) holds(material, metal string, medium matter.Medium, chloride bool) bool {
	return (r.Materials == nil || slices.Contains(r.Materials, material)) &&
		(r.Metals == nil || slices.Contains(r.Metals, metal)) &&
		(r.Media == nil || slices.Contains(r.Media, medium)) && !slices.Contains(r.NotIn, medium) &&
		(r.Chloride == nil || *r.Chloride == chloride)
}

// spread is a least, a usual and a most value.
type spread [3]float64

func (s spread) figure(why string) matter.Figure { return assumed(s[0], s[1], s[2], why) }

var tables = matter.Table("materials.toml", materialsTOML, func(m *materials) (*materials, error) {
	for i := range m.Surface {
		s := &m.Surface[i]
		s.exchange = math.Pow(10, s.LogExchange+4)
	}
	return m, nil
})
