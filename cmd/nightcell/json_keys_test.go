package main

import (
	"go/ast"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// A key ends in a unit, which may be per another one. What is counted and pH have none.
var (
	unitKey  = regexp.MustCompile(`(^|_)(coulombs|seconds|(kilo)?grams|joules|moles|(by_)?volts|amperes|watts|ohms|siemens|kelvins|ratio|(milli)?litres|((square|cubic)_)?(milli)?metres)(_per_(second|hour|kelvin|litre|gram|kilogram|mole|coulomb|((square|cubic)_)?metre))*$`)
	countKey = regexp.MustCompile(`^(valence|speed|factor|batches|cells_in_series|.*_?ph(_at_end(_if_divided)?)?(_standard_uncertainty|_low|_high)?)$`)
)

func hasUnit(key string) bool { return unitKey.MatchString(key) || countKey.MatchString(key) }

// TestJSONKeysEndInTheirUnit, as README says of every command: in what plan prints, and in the fields of all others.
func TestJSONKeysEndInTheirUnit(t *testing.T) {
	seen := 0
	check := func(where, key string) {
		seen++
		if !hasUnit(key) {
			t.Errorf("%s: %q is a number, and its key does not end in a unit", where, key)
		}
	}
	var walk func(key string, v any)
	walk = func(key string, v any) {
		switch v := v.(type) {
		case float64:
			check("plan", key)
		case map[string]any:
			for k, inner := range v {
				walk(k, inner)
			}
		case []any:
			for _, inner := range v {
				walk(key, inner)
			}
		}
	}
	walk("", planObject(t, "--config", "../../configs/hold-at-target.toml", "--compare", "2 A", "--taper", "0.33"))
	_, files := sources(t)
	for _, f := range files {
		if filepath.ToSlash(filepath.Dir(f.path)) != "cmd/nightcell" || strings.HasSuffix(f.path, "_test.go") {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			field, ok := n.(*ast.Field)
			if !ok || field.Tag == nil {
				return true
			}
			kind := field.Type
			if star, ok := kind.(*ast.StarExpr); ok {
				kind = star.X
			}
			tag, err := strconv.Unquote(field.Tag.Value)
			key, _, _ := strings.Cut(reflect.StructTag(tag).Get("json"), ",")
			if id, ok := kind.(*ast.Ident); ok && err == nil && id.Name == "float64" && key != "" {
				check(f.path, key)
			}
			return true
		})
	}
	if seen < 100 {
		t.Errorf("only %d numbers seen", seen)
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if text := string(readme); strings.Contains(text, "SI unit last") || !strings.Contains(text, "of a quantity ends in its unit") {
		t.Error("README promises other keys than those printed: some are in grams, litres and hours")
	}
}

// TestDemoShowsAPickle: the cell of the demonstration is stated as the shipped examples are.
func TestDemoShowsAPickle(t *testing.T) {
	text, err := os.ReadFile("demo.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"\nconcentration = ", `formula = "FeSO4"`, "\nacid = ", `medium = "sulfate"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("demo.toml has no %q", want)
		}
	}
	if strings.Contains(string(text), "ZnSO4") {
		t.Error("demo.toml states a bought salt")
	}
}

// TestReadmeSaysWhatImportsTheDashboard: the file is of the model that Grafana writes as version 36 since its release 9.0 (from memory).
func TestReadmeSaysWhatImportsTheDashboard(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	dashboard, err := os.ReadFile("../../configs/dashboard/nightcell.json")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(readme), "`configs/dashboard/nightcell.json` is a dashboard for Grafana (9.0 or newer") || !strings.Contains(string(dashboard), `"schemaVersion": 36`) {
		t.Error("README does not say which software imports the dashboard, or of which version")
	}
}
