// Package configs is nightcell's configuration file: what may stand in it, what
// it means in SI units, and what is wrong with it. Parse reads it without touching
// anything else and reports every mistake at once, each with its line and with what would be right.
//
// Quantities are strings with units, such as "0.9 L" or "3 A/dm2" (package
// quantity). Secrets are never written in the file: it names a file or an
// environment variable that holds them. Beside the code lie examples, one for each use.
package configs

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"nightcell/alerts/routes"
	"os"
	"path/filepath"
	"time"

	"github.com/BurntSushi/toml"
)

// Config is a whole configuration, checked and in SI units.
type Config struct {
	Data      string // folder of the run logs
	Socket    string // path of the local control socket
	Page      Page
	Supplies  []Supply // in the order of the file
	Meters    []Meter  // likewise
	Cells     []Cell   // in the order of the file, at least one
	Routes    []Route
	Pushes    []Push
	Heartbeat *routes.HeartbeatSettings // its secret is still to be read; nil: none
	// RouteProof is how long ago a route may have last proved delivery before a run may be left alone.
	RouteProof time.Duration
	Notes      Mistakes // what reads in this version, but not in the next

	file   string
	lines  map[string]int // of the tables that name things outside the file
	source map[string]any // as written, for Frozen

	secrets []secretFile
}

// Supply returns the supply of that name; Parse has made sure that each cell's exists.
func (c *Config) Supply(name string) *Supply {
	return find(c.Supplies, func(s *Supply) bool { return s.Name == name })
}

// Meter returns the meter of that name, or nil.
func (c *Config) Meter(name string) *Meter {
	return find(c.Meters, func(m *Meter) bool { return m.Name == name })
}

// Cell returns the cell of that name, or nil.
func (c *Config) Cell(name string) *Cell {
	return find(c.Cells, func(of *Cell) bool { return of.Name == name })
}

// find returns the first that is meant, or nil.
func find[T any](list []T, meant func(*T) bool) *T {
	for i := range list {
		if meant(&list[i]) {
			return &list[i]
		}
	}
	return nil
}

// CellNames lists the names of the cells.
func (c *Config) CellNames() (names []string) {
	for i := range c.Cells {
		names = append(names, c.Cells[i].Name)
	}
	return names
}

// Load reads and parses the file at path. The error is of type Mistakes when the
// file could be read. Relative paths in the file start at its own folder.
func Load(path string) (*Config, error) {
	data, err := readBounded(path)
	if err != nil {
		return nil, fmt.Errorf("reading the configuration: %w%s", err, remedyForFile(err))
	}
	return Parse(path, data)
}

// readBounded reads a file up to the first byte too many for a configuration; a device may never end.
func readBounded(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, largest+1))
	return data, errors.Join(err, f.Close())
}

// remedyForFile is what can be done about a configuration that cannot be read.
func remedyForFile(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "; give the path of a file that is there, or begin with a copy of one in configs/"
	case errors.Is(err, fs.ErrPermission):
		return "; let the user who runs nightcell read it"
	}
	return ""
}

// Format is the newest form of a configuration that this program reads. A later one says so by the key format; a file without the
// key is of the first form. Golden ones of every form lie in testdata/formats.
const Format = 2

// Parse reads a configuration. name is the file's path as it shall appear in
// mistakes; its folder is where relative paths start. Nothing is opened or read.
// The error is of type Mistakes and holds all of them.
func Parse(name string, data []byte) (*Config, error) { return parse(name, data, false) }

func parse(name string, data []byte, draft bool) (*Config, error) {
	t, err := newDocument(name, data)
	if err != nil {
		return nil, err
	}
	t.doc.draft = draft
	if form := t.whole("format", Format, 1, math.MaxInt); form > Format {
		t.bad("format", fmt.Sprintf("this configuration is of form %d, for a newer nightcell; this one reads forms up to %d", form, Format), "use the newer one")
		return nil, t.doc.mistakes // what else there is cannot be judged
	}
	c := &Config{Data: t.file(t.required("data", "/var/lib/nightcell")), file: name, lines: map[string]int{}}
	if c.Socket = t.file(t.text("socket", "")); c.Socket == "" {
		c.Socket = filepath.Join(c.Data, "control.sock")
	}
	page := t.orEmpty("page")
	c.Page = readPage(page)
	c.lines[page.path] = page.line()
	preflight := t.orEmpty("preflight")
	c.RouteProof = preflight.duration("route_proof", 30*24*time.Hour, time.Hour)
	preflight.done()
	supplies := t.each("supply")
	for _, n := range supplies {
		s := readSupply(n, c.Data)
		c.Supplies = append(c.Supplies, s)
		if s.Line.Address == PortToFill {
			c.lines[n.key("port")] = n.lineOf("port")
		}
	}
	meters := t.each("meter")
	for _, n := range meters {
		c.Meters = append(c.Meters, readMeter(n, c.Data))
	}
	cells := t.each("cell")
	for _, n := range cells {
		c.Cells = append(c.Cells, readCell(n))
	}
	for _, n := range t.each("route") {
		c.Routes = append(c.Routes, readRoute(n))
		c.lines[n.path] = n.line()
	}
	for _, n := range t.each("push") {
		c.Pushes = append(c.Pushes, readPush(n))
		c.lines[n.path] = n.line()
	}
	if n := t.sub("heartbeat"); n != nil {
		c.Heartbeat = readHeartbeat(n)
		c.lines[n.path] = n.line()
	}
	t.done()
	c.secrets, c.Notes = t.doc.secrets, t.doc.notes.inOrder()
	if !draft {
		c.crossCheck(t, supplies, meters, cells)
	}
	if len(t.doc.mistakes) > 0 {
		return nil, t.doc.mistakes.inOrder()
	}
	if _, err := toml.Decode(string(data), &c.source); err != nil {
		return nil, fmt.Errorf("reading %s a second time: %w", name, err)
	}
	return c, nil
}

// Frozen is the configuration of one cell alone, with its supply and meters, as it is kept with
// a run. It can be parsed again. The cell must exist.
func (c *Config) Frozen(cell string) ([]byte, error) {
	of := c.Cell(cell)
	if of == nil {
		return nil, fmt.Errorf("freezing the configuration: there is no cell '%s'", cell)
	}
	tables := map[string]any{"data": c.Data}
	groups := map[string][]string{"supply": {of.Supply}, "cell": {cell}}
	if len(of.Meters) > 0 {
		groups["meter"], tables["format"] = of.Meters, Format // an older program knows of none
	}
	for group, names := range groups {
		all, _ := c.source[group].(map[string]any)
		kept := map[string]any{}
		for _, name := range names {
			kept[name] = all[name]
		}
		if all != nil {
			tables[group] = kept
		}
	}
	return encoded(tables, "freezing the configuration of cell "+cell)
}

// encoded writes tables as a file has them.
func encoded(tables map[string]any, doing string) ([]byte, error) {
	text, err := toml.Marshal(tables)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	return text, nil
}

// file makes a path that is written in the configuration absolute or relative to the process.
func (t *table) file(path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(t.doc.name), path)
}
