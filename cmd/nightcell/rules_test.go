package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// The rules of the house, kept by tests because nobody reads 200 files for them.

const (
	moduleName  = "nightcell"
	longestFile = 400 // lines of a file that is not a test
)

// sourceFile is one Go file of the project.
type sourceFile struct {
	path  string // relative to the project, with slashes
	ast   *ast.File
	lines int
}

func (f sourceFile) isTest() bool { return strings.HasSuffix(f.path, "_test.go") }

// room is the first folder of a path, and pkg the whole folder.
func room(p string) string { first, _, _ := strings.Cut(p, "/"); return first }

func pkg(p string) string { return path.Dir(p) }

// projectRoot finds the folder of go.mod above this test.
func projectRoot(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for dir != filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		dir = filepath.Dir(dir)
	}
	t.Fatal("no go.mod above the test")
	return ""
}

// walkProject calls visit with every file that belongs to the project.
func walkProject(t *testing.T, visit func(relative string, data []byte)) {
	t.Helper()
	root := projectRoot(t)
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == ".git" {
			return filepath.SkipDir
		}
		if !d.Type().IsRegular() || d.Name() == ".git" { // a second work tree has a file of that name
			return nil
		}
		relative, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		data, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		visit(filepath.ToSlash(relative), data)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// parsed is what sources has read, for the next rule.
var parsed struct {
	set   *token.FileSet
	files []sourceFile
}

// sources parses every Go file of the project, once.
func sources(t *testing.T) (*token.FileSet, []sourceFile) {
	t.Helper()
	if parsed.files != nil {
		return parsed.set, parsed.files
	}
	set := token.NewFileSet()
	var all []sourceFile
	walkProject(t, func(relative string, data []byte) {
		if !strings.HasSuffix(relative, ".go") {
			return
		}
		tree, err := parser.ParseFile(set, relative, data, parser.ParseComments)
		if err != nil {
			t.Errorf("%s: %v", relative, err)
			return
		}
		all = append(all, sourceFile{relative, tree, bytes.Count(data, []byte("\n"))})
	})
	if len(all) < 20 {
		t.Fatalf("only %d Go files found: the walk has lost its way", len(all))
	}
	if !t.Failed() {
		parsed.set, parsed.files = set, all
	}
	return set, all
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	_, files := sources(t)
	said := map[string]bool{}
	for _, f := range files {
		if f.isTest() && path.Base(f.path) != "doc_test.go" { // which stands where there are only tests
			continue
		}
		name := f.ast.Name.Name
		doc := f.ast.Doc.Text()
		said[pkg(f.path)] = said[pkg(f.path)] || strings.HasPrefix(doc, "Package "+name+" ") || name == "main" && strings.HasPrefix(doc, "Command ")
		if slices.Contains([]string{"util", "utils", "common", "types", "helpers"}, name) {
			t.Errorf("%s: package %s says nothing about what it is for", f.path, name)
		}
	}
	for p, ok := range said {
		if !ok {
			t.Errorf("package %s has no comment that begins with 'Package ' and its name", p)
		}
	}
}

// figures is the package that says how a number is written; every room may know it, and it knows none.
const figures = "configs/quantity"

// detector is the package that thins tests under the race detector; the tests of every room may know it, and it knows none.
const detector = "daemon/housetest"

// Domain rooms do not know each other: the daemon introduces them.
func TestRoomsKeepToThemselves(t *testing.T) {
	allowed := map[string][]string{
		"drivers":   {"drivers"},
		"integrate": {"integrate"},
		"alerts":    {"alerts"},
		"configs":   {"configs", "integrate", "alerts", "drivers"},
		"daemon":    {"daemon", "drivers", "integrate", "alerts", "configs"},
		"cmd":       {"cmd", "daemon", "drivers", "integrate", "alerts", "configs"},
	}
	_, files := sources(t)
	for _, f := range files {
		friends, ok := allowed[room(f.path)]
		if !ok {
			t.Errorf("%s: the top level holds cmd, daemon, drivers, integrate, alerts and configs alone", f.path)
			continue
		}
		for _, spec := range f.ast.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Errorf("%s: import %s: %v", f.path, spec.Path.Value, err)
				continue
			}
			inside, ours := strings.CutPrefix(imported, moduleName+"/")
			if ours && inside != figures && (inside != detector || !f.isTest()) && !slices.Contains(friends, room(inside)) {
				t.Errorf("%s imports %s, which its room must not know", f.path, imported)
			}
		}
	}
}

// The smallest packages stay at the bottom: they import nothing of the project.
func TestLeavesImportNothingOfOurs(t *testing.T) {
	leaves := []string{figures, detector, "integrate", "integrate/matter"}
	_, files := sources(t)
	for _, f := range files {
		if f.isTest() || !slices.Contains(leaves, pkg(f.path)) {
			continue
		}
		for _, spec := range f.ast.Imports {
			if strings.HasPrefix(spec.Path.Value, `"`+moduleName+"/") {
				t.Errorf("%s imports %s: this package stands at the bottom", f.path, spec.Path.Value)
			}
		}
	}
}

// The run is handed every moment and every reading, so that a night runs through it in a test.
func TestTheRunHasNoClockPortOrGoroutine(t *testing.T) {
	set, files := sources(t)
	seen := 0
	for _, f := range files {
		if f.isTest() || pkg(f.path) != "daemon/run" {
			continue
		}
		seen++
		for _, spec := range f.ast.Imports {
			imported := strings.Trim(spec.Path.Value, `"`)
			if slices.Contains([]string{"context", "net", "sync", moduleName + "/daemon/watch"}, imported) || strings.HasPrefix(imported, moduleName+"/drivers/") {
				t.Errorf("%s imports %s, which is the watch's", f.path, imported)
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: a goroutine in the run", set.Position(n.Pos()))
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "After", "NewTimer", "NewTicker"}, n.Sel.Name) {
					t.Errorf("%s: the run reads a clock by time.%s", set.Position(n.Pos()), n.Sel.Name)
				}
			}
			return true
		})
	}
	if seen == 0 {
		t.Error("there is no daemon/run")
	}
}

func TestFilesStayShort(t *testing.T) {
	_, files := sources(t)
	for _, f := range files {
		if !f.isTest() && f.lines > longestFile {
			t.Errorf("%s has %d lines; split what is over %d", f.path, f.lines, longestFile)
		}
	}
}

// TestTheHouseStaysSmall counts the lines of product code that are neither blank nor a comment. What more is to come must first make room.
func TestTheHouseStaysSmall(t *testing.T) {
	const most, least = 50_000, 10_000
	n := 0
	walkProject(t, func(relative string, data []byte) {
		if !strings.HasSuffix(relative, ".go") || strings.HasSuffix(relative, "_test.go") {
			return
		}
		for line := range strings.Lines(string(data)) {
			if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "//") {
				n++
			}
		}
	})
	if n > most || n < least {
		t.Errorf("%d lines of product code; there are to be at most %d, and fewer than %d were not all seen", n, most, least)
	}
}

// What a domain package offers is documented, identifier by identifier.
func TestExportedIdentifiersAreDocumented(t *testing.T) {
	set, files := sources(t)
	for _, f := range files {
		if f.isTest() || room(f.path) == "cmd" {
			continue
		}
		for _, d := range f.ast.Decls {
			for _, bare := range undocumented(d) {
				t.Errorf("%s: %s has no comment", set.Position(bare.Pos()), bare.Name)
			}
		}
	}
}

// undocumented lists the exported names of a declaration that no comment speaks of.
func undocumented(d ast.Decl) []*ast.Ident {
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() && d.Doc == nil && exportedReceiver(d) && !saysItself(d) {
			return []*ast.Ident{d.Name}
		}
	case *ast.GenDecl:
		var bare []*ast.Ident
		for _, s := range d.Specs {
			switch s := s.(type) {
			case *ast.TypeSpec:
				if s.Name.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
					bare = append(bare, s.Name)
				}
			case *ast.ValueSpec:
				for _, n := range s.Names {
					if n.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
						bare = append(bare, n)
					}
				}
			}
		}
		return bare
	}
	return nil
}

func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil || len(d.Recv.List) == 0 {
		return true
	}
	receiver := d.Recv.List[0].Type
	if star, ok := receiver.(*ast.StarExpr); ok {
		receiver = star.X
	}
	name, ok := receiver.(*ast.Ident)
	return !ok || name.IsExported()
}

// saysItself holds for methods whose meaning is fixed by an interface of the standard library.
func saysItself(d *ast.FuncDecl) bool {
	known := []string{"Error", "Unwrap", "Is", "As", "String", "Len", "Less", "Swap", "ServeHTTP"}
	return d.Recv != nil && slices.Contains(known, d.Name.Name)
}

// A test waits for what it needs, never for a time.
func TestNoTestSleeps(t *testing.T) {
	set, files := sources(t)
	for _, f := range files {
		if !f.isTest() {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			s, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && s.Sel.Name == "Sleep" {
				t.Errorf("%s: time.Sleep in a test", set.Position(s.Pos()))
			}
			return true
		})
	}
}

// Advice on an output names the metal of the cell at hand, so that what is said beforehand of every cell names none.
func TestNoMetalIsNamedForEveryCell(t *testing.T) {
	var named []string
	for _, m := range matter.Metals() {
		if name := m.Element.Name; name != "lead" { // that one is also what joins supply and cell
			named = append(named, name)
		}
	}
	metal := regexp.MustCompile(`(?i)\b(` + strings.Join(named, "|") + `)\b`)
	texts := map[string]string{
		"off --help": newOutputCommand(&shell{}, "off").Long, "hold --help": newOutputCommand(&shell{}, "hold").Long,
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, cautions, _ := strings.Cut(string(readme), "\n## Cautions\n")
	cautions, _, found := strings.Cut(cautions, "\n## ")
	if !found {
		t.Fatal("README has no cautions")
	}
	texts["README's cautions"] = cautions
	for where, text := range texts {
		if m := metal.FindString(text); m != "" {
			t.Errorf("%s names %s: %q", where, m, text)
		}
	}
}

// No file knows the machine it was written on, and go.mod builds anywhere.
func TestNothingPointsAtOneMachine(t *testing.T) {
	// The folders in which a checkout or a module cache usually lies.
	elsewhere := regexp.MustCompile(`(^|[\s"'(=:])(/work/|/root/|/home/[a-z]|/Users/|[A-Z]:\\Users\\)`)
	rough := []string{"/work/", "/root/", "/home/", "/Users/", `:\Users`} // most files have none of them, and are done quickly
	walkProject(t, func(relative string, data []byte) {
		if relative == "cmd/nightcell/rules_test.go" || bytes.IndexByte(data, 0) >= 0 {
			return // this rule itself, and pictures
		}
		if relative != "go.mod" && !slices.ContainsFunc(rough, func(r string) bool { return bytes.Contains(data, []byte(r)) }) {
			return
		}
		for i, line := range strings.Split(string(data), "\n") {
			if elsewhere.MatchString(line) {
				t.Errorf("%s:%d points at one machine: %s", relative, i+1, strings.TrimSpace(line))
			}
			if relative == "go.mod" && strings.HasPrefix(strings.TrimSpace(line), "replace ") {
				t.Errorf("go.mod:%d replaces a module, so that others cannot build it: %s", i+1, line)
			}
		}
	})
}
