package matter

import (
	_ "embed" // the table of weights is a file, so that a chemist can check it line by line
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
)

//go:embed weights.csv
var weightsCSV string

// weights is the source of the standard atomic weights.
const weights = "Prohaska et al., Standard atomic weights of the elements 2021, Pure and Applied Chemistry 2022, doi 10.1515/pac-2019-0603"

// Element is one chemical element.
type Element struct {
	Number int
	Symbol string
	Name   string
	// Weight is the molar mass in kg/mol. Its uncertainty is the half-width that
	// CIAAW prints, taken as rectangular (divided by the root of 3), as IUPAC's
	// guidance on the use of atomic weights advises. Not Known for an element without a standard atomic weight.
	Weight Figure
}

// elements is the periodic table by symbol; immutable once parsed.
var elements = sync.OnceValue(func() map[string]Element {
	table := make(map[string]Element, 92)
	for line := range strings.Lines(weightsCSV) {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "number") {
			continue
		}
		e, err := parseElement(strings.Split(strings.TrimSpace(line), ","))
		if err != nil {
			panic("matter: embedded weights.csv: " + err.Error()) // a test reads the table, so this cannot ship
		}
		table[e.Symbol] = e
	}
	return table
})

func parseElement(field []string) (Element, error) {
	if len(field) != 6 {
		return Element{}, fmt.Errorf("%q: 6 fields are needed", field)
	}
	number, err := strconv.Atoi(field[0])
	if err != nil {
		return Element{}, err
	}
	e := Element{Number: number, Symbol: field[1], Name: field[2]}
	if field[3] == "" {
		return e, nil
	}
	weight, err := strconv.ParseFloat(field[3], 64)
	if err != nil {
		return Element{}, err
	}
	half, err := strconv.ParseFloat(field[4], 64)
	if err != nil {
		return Element{}, err
	}
	e.Weight = Figure{Value: weight * 1e-3, StandardUncertainty: half * 1e-3 / math.Sqrt(3), Mark: Published, Source: weights}
	if field[5] != "ciaaw" {
		e.Weight.Mark, e.Weight.Source = Assumed, "from memory"
	}
	return e, nil
}

// LookUpElement finds an element by its symbol, which is case-sensitive: Co is cobalt.
func LookUpElement(symbol string) (Element, bool) {
	e, ok := elements()[symbol]
	return e, ok
}
