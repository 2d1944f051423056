package electrolysis

import (
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// marked walks an assessment and calls found with the path, mark and source of every figure, band and cathode in it.
func marked(path string, v reflect.Value, found func(path string, mark matter.Mark, source string)) {
	switch v.Kind() {
	case reflect.Struct:
		switch x := v.Interface().(type) {
		case matter.Figure:
			found(path, x.Mark, x.Source)
			return
		case matter.Metal, matter.Couple: // the table's own test
			return
		}
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() && f.Name != "Conditions" { // what was stated
				marked(path+"."+f.Name, v.Field(i), found)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			marked(fmt.Sprintf("%s[%d]", path, i), v.Index(i), found)
		}
	}
}

// TestPublishedSaysWhere: in the assessment of every metal in every medium, what is marked published names a year, and what is
// assumed says something; nothing from memory is published.
func TestPublishedSaysWhere(t *testing.T) {
	year, memory := regexp.MustCompile(`\b(18|19|20)\d\d\b`), regexp.MustCompile(`memory|no source`)
	count := map[matter.Mark]int{}
	said := map[string]bool{}
	for _, metal := range matter.Metals() {
		for _, medium := range matter.Media() {
			c := zincCell(t)
			c.Metal, c.Medium, c.Valence, c.Efficiency = metal, medium, 0, matter.Figure{Value: 0.5, Mark: matter.Measured}
			c.PH, c.AnolytePH, c.Temperature = matter.GivenFigure(1, 0.1), matter.GivenFigure(0, 0.1), matter.GivenFigure(298, 1)
			a, err := Assess(c)
			if err != nil {
				continue // no couple there
			}
			marked(metal.String()+" in "+string(medium), reflect.ValueOf(a), func(path string, mark matter.Mark, source string) {
				count[mark]++
				switch {
				case strings.HasSuffix(path, ".Gap"): // the difference of two that say where
				case mark == matter.Published && memory.MatchString(source), mark == matter.Published && !year.MatchString(source), mark == matter.Assumed && source == "":
					if key := regexp.MustCompile(`^[^.]*`).ReplaceAllString(path, ""); !said[key+source] {
						said[key+source] = true
						t.Errorf("%s is %v: %q", path, mark, source)
					}
				}
			})
		}
	}
	if count[matter.Published] < 100 || count[matter.Assumed] < 100 {
		t.Errorf("found %v", count)
	}
}
