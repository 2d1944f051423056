package integrate_test

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// outside lists who printed the values that tests hold this tree's results against. A line of a test that does so ends in
// "outside:", the key and the place in the source. Regression values, what is from memory, common practice, a voltage worked
// back from an energy and what we computed ourselves another way are worth testing, and are no outside checks.
var outside = map[string]matter.Source{
	"chemistry-2e": {Author: "Flowers, Theopold, Langley and Robinson", Title: "Chemistry 2e (OpenStax)", Year: 2019},
	"calculus-2":   {Author: "Strang and Herman", Title: "Calculus Volume 2 (OpenStax)", Year: 2016},
	"bccampus":     {Author: "BCcampus", Title: "Hydrometallurgy, open text, quiz solutions (pressbooks.bccampus.ca/hydrometallurgy)"},
	"aalto":        {Author: "Aalto University", Title: "CHEM-E6180, Fundamentals of Hydrometallurgy", Year: 2016},
	"chm-112":      {Author: "Euler, University of Rhode Island", Title: "CHM 112, lecture on sulfuric acid (chm.uri.edu/weuler/chm112/lectures)"},
	"act-1894":     {Author: "Congress of the United States", Title: "An act to define and establish the units of electrical measure, 12 July", Year: 1894},
	"jcgm-100":     {Author: "Joint Committee for Guides in Metrology", Title: "JCGM 100, Guide to the expression of uncertainty in measurement", Year: 2008},
	"strd":         {Author: "NIST", Title: "Statistical Reference Datasets (itl.nist.gov/div898/strd)"},
	"en-50272":     {Author: "CENELEC", Title: "EN 50272-3, Safety requirements for secondary batteries, as quoted by a maker of batteries", Year: 2002},
	"crc":          {Author: "Rumble (editor)", Title: "CRC Handbook of Chemistry and Physics, 98th edition, as quoted elsewhere", Year: 2017},
	"bard":         {Author: "Bard, Parsons and Jordan", Title: "Standard Potentials in Aqueous Solution, as reprinted in LibreTexts", Year: 1985},
	"lu-2013":      {Author: "Lu, Guo, Dreisinger and Downing", Title: "Effects of current density and nickel as an impurity on zinc electrowinning, Journal of Metallurgical Engineering", Year: 2013},
	"may-2011":     {Author: "May, Rowland, Hefter and Königsberger", Title: "Pitzer characterization of aqueous binary electrolyte solutions, Journal of Chemical and Engineering Data, doi.org/10.1021/je2009329", Year: 2011},
	"holz-2000":    {Author: "Holz, Heil and Sacco", Title: "Temperature-dependent self-diffusion coefficients of water, Physical Chemistry Chemical Physics 2", Year: 2000},
	"posteriordb":  {Author: "Magnusson, Bürkner and Vehtari", Title: "posteriordb, reference posteriors (github.com/stan-dev/posteriordb)"},
	"if97":         {Author: "IAPWS", Title: "Industrial Formulation for the Thermodynamic Properties of Water and Steam, IF97", Year: 1997},
}

// checks is how many lines of each package hold a result against a printed value. Whoever adds or takes one changes it here.
var checks = map[string]int{".": 23, "account": 5, "bath": 22, "electrolysis": 24, "learn": 3, "matter": 1, "solution": 15}

// TestOutsideChecks counts the outside checks of every package, and refuses one whose source or place a reader cannot find.
func TestOutsideChecks(t *testing.T) {
	marked := regexp.MustCompile(`// outside: (\S+) (.+)$`)
	found, used, total := map[string]int{}, map[string]bool{}, 0
	err := filepath.WalkDir(".", func(path string, _ fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") || strings.HasPrefix(filepath.Base(path), "outside_") {
			return err
		}
		text, err := os.ReadFile(path)
		for i, line := range strings.Split(string(text), "\n") {
			match := marked.FindStringSubmatch(line)
			if match == nil {
				continue
			}
			at := fmt.Sprintf("%s:%d", path, i+1)
			if _, ok := outside[match[1]]; !ok {
				t.Errorf("%s: %q is no source of the list", at, match[1])
			}
			if !regexp.MustCompile(`\d|Appendix|chapter`).MatchString(match[2]) {
				t.Errorf("%s: %q is no place in a source", at, match[2])
			}
			if before, _, _ := strings.Cut(line, "// outside:"); !regexp.MustCompile(`\d`).MatchString(before) || regexp.MustCompile(`memory|common practice`).MatchString(before) {
				t.Errorf("%s: there is no printed value on the line, or it is none", at)
			}
			found[filepath.ToSlash(filepath.Dir(path))]++
			used[match[1]] = true
			total++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for key, s := range outside {
		if s.Author == "" || s.Title == "" || s.Year < 1800 && !regexp.MustCompile(`\w\.\w+/\w`).MatchString(s.Title) {
			t.Errorf("%s: author, title, or year and address are missing", key)
		}
		if !used[key] {
			t.Errorf("%s: no check rests on it", key)
		}
	}
	if !maps.Equal(found, checks) {
		t.Errorf("outside checks by package: %v; the list says %v", found, checks)
	}
	t.Logf("%d outside checks: %v", total, found)
}
