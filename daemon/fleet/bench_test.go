package fleet

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
)

func TestMain(m *testing.M) {
	housetest.Flags(map[string]string{"test.parallel": "4"}) // they mostly wait
	if address := os.Getenv(visitorsOf); address != "" {
		visit(address)
		return
	}
	if what := os.Getenv(suppliesOf); what != "" {
		supply(what)
		return
	}
	dir, err := os.MkdirTemp("", "nightcell-fleet-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	binaries = dir
	code := m.Run()
	if err := os.RemoveAll(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = max(code, 1)
	}
	os.Exit(code)
}

// bench is one nightcell with its supplies, each a process of its own.
type bench struct {
	*process
	t       testing.TB
	name    string
	data    string
	address string
	cells   []string
	supply  []*process
}

// plan is what a bench is made from.
type plan struct {
	cells  int
	poll   string
	amps   string // the current limit of each cell; empty: 3.3 A, above the 3 A of the supplies
	more   string // lines at the end of the configuration
	global string // lines at its beginning
}

// cellConfig is the cell of the demonstration. Invented figures.
const cellConfig = `
[supply.%[1]s-bench]
port = %[2]q
range_voltage = "32 V"
range_current = "5 A"
[cell.%[1]s]
supply = "%[1]s-bench"
poll = %[3]q
sync = "5 s"
[cell.%[1]s.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "250 g", assay = "99.9 %%" }]
ph = 4.5
[cell.%[1]s.target]
recover = "68 %%"
[cell.%[1]s.efficiency]
fixed = "88 %%"
[cell.%[1]s.electrodes]
cathode = "aluminium"
cathode_area = "60 cm2"
anode = "lead"
gap = "30 mm"
separator = "diaphragm"
[cell.%[1]s.working]
current = "3 A"
[cell.%[1]s.limits]
current = %[4]q
voltage = "6.5 V"
`

// newBench starts supplies and daemon and waits until the daemon serves its metrics.
func newBench(t testing.TB, name string, p plan) *bench {
	t.Helper()
	b := &bench{t: t, name: name, data: t.TempDir(), address: freeAddress()}
	var text strings.Builder
	fmt.Fprintf(&text, "data = %q\n%s\n[page]\nlisten = %q\n", b.data, p.global, b.address)
	if p.amps == "" {
		p.amps = "3.3 A"
	}
	for i := range p.cells {
		cell := fmt.Sprintf("%s-%d", name, i+1)
		b.cells = append(b.cells, cell)
		port := filepath.Join(b.data, cell+".port")
		b.supply = append(b.supply, launch(t, func() bool { _, err := os.Stat(port); return err == nil },
			built(t), "simulate", "--link", port, "--seed", strconv.Itoa(i+1)))
		fmt.Fprintf(&text, cellConfig, cell, port, p.poll, p.amps)
	}
	text.WriteString(p.more)
	config := filepath.Join(b.data, "nightcell.toml")
	if err := os.WriteFile(config, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	b.process = launch(t, answers("http://"+b.address+"/metrics"), built(t), "watch", "--config", config)
	return b
}

// logOf is the log of a cell's newest run.
func (b *bench) logOf(cell string) string {
	b.t.Helper()
	dir, _, err := runlog.LatestRun(b.data, cell)
	if err != nil {
		b.t.Fatal(err)
	}
	return filepath.Join(dir, runlog.LogName)
}

// lines counts the lines of one kind in all logs of a cell.
func (b *bench) lines(cell string, kind runlog.Kind) int {
	b.t.Helper()
	names, err := runlog.Runs(runlog.CellDir(b.data, cell))
	if err != nil {
		b.t.Fatal(err)
	}
	n := 0
	for _, run := range names {
		text, err := os.ReadFile(filepath.Join(runlog.CellDir(b.data, cell), run, runlog.LogName))
		if errors.Is(err, fs.ErrNotExist) { // just being made
			continue
		}
		if err != nil {
			b.t.Fatal(err)
		}
		n += bytes.Count(append([]byte("\n"), text...), []byte("\n"+string(kind)+","))
	}
	return n
}

// grow waits until the log of a cell has so many more readings.
func (b *bench) grow(cell string, by int) {
	b.t.Helper()
	from := 0
	if _, err := os.Stat(runlog.CellDir(b.data, cell)); err == nil {
		from = b.lines(cell, runlog.KindReading)
	}
	waitFor(b.t, fmt.Sprintf("%s has %d more readings", cell, by), func() bool {
		return b.lines(cell, runlog.KindReading) >= from+by
	})
}

// after are the totals that the log of a cell gives when replayed up to and with its
// nth reading: the daemon's own figures at that moment.
func (b *bench) after(cell string, n int) integrate.Totals {
	b.t.Helper()
	text, err := os.ReadFile(b.logOf(cell))
	if err != nil {
		b.t.Fatal(err)
	}
	dir := filepath.Join(b.t.TempDir(), "20260301T211500Z")
	if err := os.Mkdir(dir, 0o700); err != nil {
		b.t.Fatal(err)
	}
	var part []byte
	for line := range bytes.Lines(text) {
		part = append(part, line...)
		if bytes.HasPrefix(line, []byte("reading,")) {
			if n--; n == 0 {
				break
			}
		}
	}
	if n > 0 {
		b.t.Fatalf("the log of %s lacks %d readings that were shown", cell, n)
	}
	if err := os.WriteFile(filepath.Join(dir, runlog.LogName), part, 0o600); err != nil {
		b.t.Fatal(err)
	}
	report, err := runlog.ReplayFile(dir)
	if err != nil {
		b.t.Fatal(err)
	}
	return report.Totals
}

// restart stops or kills the daemon and starts it again.
func (b *bench) restart(politely bool) {
	b.t.Helper()
	if politely {
		b.stop()
	} else {
		b.kill()
	}
	b.start()
}
