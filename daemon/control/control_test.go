package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/BurntSushi/toml"
	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desk is an Operator that notes what it was asked and gives the answers it was given.
type desk struct {
	mu      sync.Mutex
	asked   []any
	err     error
	cells   []Cell
	alarms  []Alarm
	checks  []Check
	outcome Outcome
	receipt []routes.Receipt
	entered Entered
	hold    chan struct{} // Drill closes begun and waits for hold, if it is set
	begun   chan struct{}
}

func (d *desk) operator() *Operator {
	return &Operator{
		Status: d.Status, Alarms: d.Alarms, ChangeAlarm: d.ChangeAlarm, Enter: d.Enter,
		Begin: d.Begin, Off: d.Off, Hold: d.Hold, Drill: d.Drill, Step: d.Step,
	}
}

func (d *desk) note(v any) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = append(d.asked, v)
	return d.err
}

func (d *desk) heard() []any {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.asked
}

func (d *desk) Status(context.Context) ([]Cell, error) { return d.cells, d.note("status") }
func (d *desk) Alarms(_ context.Context, cell string) ([]Alarm, error) {
	return d.alarms, d.note(cell)
}
func (d *desk) ChangeAlarm(_ context.Context, a AlarmOrder) error { return d.note(a) }
func (d *desk) Step(_ context.Context, s StepOrder) (StepResult, error) {
	return StepResult{Ohms: 0.5, Text: "0.5 Ω"}, d.note(s)
}
func (d *desk) Enter(_ context.Context, e Entry) (Entered, error) { return d.entered, d.note(e) }
func (d *desk) Begin(_ context.Context, b BeginOrder) ([]Check, error) {
	return d.checks, d.note(b)
}
func (d *desk) Off(_ context.Context, o CellOrder) (Outcome, error)  { return d.outcome, d.note(o) }
func (d *desk) Hold(_ context.Context, o CellOrder) (Outcome, error) { return d.outcome, d.note(o) }
func (d *desk) Drill(ctx context.Context, o CellOrder) ([]routes.Receipt, error) {
	if d.hold != nil {
		close(d.begun)
		select {
		case <-d.hold:
		case <-ctx.Done():
		}
	}
	return d.receipt, d.note(o)
}

// sameFigure compares figures, of which an unknown one equals another.
var sameFigure = cmp.Comparer(func(a, b quantity.Maybe) bool {
	return a == b || math.IsNaN(float64(a)) && math.IsNaN(float64(b))
})

func silentLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

// open serves o on a socket in a fresh folder and returns its path and a client.
func open(t *testing.T, d *desk) (string, *Operator) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "c", "control.sock")
	s, err := Listen(path, d.operator(), silentLog())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(t.Context()); err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	return path, Dial(path)
}

func TestEveryOrderCrossesTheSocketUnchanged(t *testing.T) {
	at := time.Date(2026, 4, 5, 6, 7, 8, 0, time.UTC)
	d := &desk{
		cells:   []Cell{{Name: "zinc-1", State: "running", Volts: 3.2, TargetCoulombs: quantity.Maybe(math.NaN()), Alarms: 2}},
		alarms:  []Alarm{{Cell: "zinc-1", Alarm: alerts.Alarm{Condition: "over-current", State: alerts.UNACK, Priority: alerts.High, Since: at, First: true}}},
		checks:  []Check{{Name: "protection", OK: true}},
		outcome: Outcome{Verified: true, Text: "output off, 0.000 A"},
		receipt: []routes.Receipt{{Route: "phone", Delivered: true, Proof: "HTTP 204", TookSeconds: 0.25}},
	}
	_, c := open(t, d)
	ctx := t.Context()
	check := func(got, want any, err error) {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
		if diff := cmp.Diff(want, got, sameFigure); diff != "" {
			t.Errorf("answer (-want +got):\n%s", diff)
		}
	}
	cells, err := c.Status(ctx)
	check(cells, d.cells, err)
	list, err := c.Alarms(ctx, "zinc-1")
	check(list, d.alarms, err)
	checks, err := c.Begin(ctx, BeginOrder{"zinc-1", "ann", []string{"leads", "level"}})
	check(checks, d.checks, err)
	off, err := c.Off(ctx, CellOrder{"zinc-1", "ann"})
	check(off, d.outcome, err)
	hold, err := c.Hold(ctx, CellOrder{"zinc-2", "ann"})
	check(hold, d.outcome, err)
	receipts, err := c.Drill(ctx, CellOrder{"zinc-1", "bob"})
	check(receipts, d.receipt, err)
	stepped, err := c.Step(ctx, StepOrder{CellOrder{"zinc-1", "ann"}, 0.05})
	check(stepped, StepResult{Ohms: 0.5, Text: "0.5 Ω"}, err)
	shelve := AlarmOrder{Shelve, "zinc-1", "over-current", "ann", "lead is being moved", 600}
	entry := Entry{Cell: "zinc-1", Kind: "addition", By: "ann", Text: "", At: at, Numbers: map[string]float64{"mass_kilograms": 0.05}, Words: map[string]string{"formula": "ZnSO4·7H2O"}}
	for _, err := range []error{c.ChangeAlarm(ctx, shelve), second(c.Enter(ctx, entry))} {
		if err != nil {
			t.Error(err)
		}
	}
	want := []any{
		"status", "zinc-1", BeginOrder{"zinc-1", "ann", []string{"leads", "level"}}, CellOrder{"zinc-1", "ann"}, CellOrder{"zinc-2", "ann"},
		CellOrder{"zinc-1", "bob"}, StepOrder{CellOrder{"zinc-1", "ann"}, 0.05}, shelve, entry,
	}
	if diff := cmp.Diff(want, d.heard()); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
}

// TestOrdersComeInHarmless: what an operator's terminal would obey does not get past the door, in whichever field it comes.
func TestOrdersComeInHarmless(t *testing.T) {
	d := &desk{}
	_, c := open(t, d)
	const dirty, clean = "a\u202eb\x1b[2J\u009bc", "a b [2J c"
	at := time.Date(2026, 3, 1, 22, 15, 0, 0, time.UTC)
	_, err := c.Enter(t.Context(), Entry{Cell: dirty, Kind: dirty, By: dirty, Text: dirty, At: at, Numbers: map[string]float64{dirty: 1}, Words: map[string]string{dirty: dirty}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Begin(t.Context(), BeginOrder{dirty, dirty, []string{"leads", dirty}}); err != nil {
		t.Fatal(err)
	}
	if err := c.ChangeAlarm(t.Context(), AlarmOrder{dirty, dirty, dirty, dirty, dirty, 600}); err != nil {
		t.Fatal(err)
	}
	want := []any{
		Entry{Cell: clean, Kind: clean, By: clean, Text: clean, At: at, Numbers: map[string]float64{clean: 1}, Words: map[string]string{clean: clean}},
		BeginOrder{clean, clean, []string{"leads", clean}}, AlarmOrder{clean, clean, clean, clean, clean, 600},
	}
	if diff := cmp.Diff(want, d.heard()); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
}

// TestANameIsNoMoreThanAName: however the key of the name is written, it is the name of the order.
func TestANameIsNoMoreThanAName(t *testing.T) {
	for _, tt := range []struct {
		body    string
		refused bool
	}{
		{`{"cell":"zinc-1","by":"night shift"}`, false},
		{`{"cell":"zinc-1","by":"` + strings.Repeat("é", longestName) + `"}`, false},
		{`{"cell":"zinc-1","by":"` + strings.Repeat("é", longestName+1) + `"}`, true},
		{`{"cell":"zinc-1","BY":"` + strings.Repeat("x", longestName+1) + `"}`, true},
	} {
		var order CellOrder
		if err := read(strings.NewReader(tt.body), &order); (err != nil) != tt.refused {
			t.Errorf("%s: %v, %q", tt.body, err, order.By)
		}
	}
}

func TestErrorsKeepTheirMeaning(t *testing.T) {
	d := &desk{}
	_, c := open(t, d)
	for _, err := range []error{Unknown("there is no cell %q", "x"), BadRequest("no"), Refuse("may not"), errors.New("the port is gone")} {
		d.err = err
		got := c.ChangeAlarm(t.Context(), AlarmOrder{})
		if got == nil || got.Error() != err.Error() || IsMistake(got) != IsMistake(err) {
			t.Errorf("%v became %v", err, got)
		}
	}
	d.err, d.checks = Refuse("not ready: leads are not confirmed"), []Check{{Name: "leads", Text: "confirm them"}}
	checks, err := c.Begin(t.Context(), BeginOrder{Cell: "zinc-1"})
	if len(checks) != 1 || err == nil || err.Error() != d.err.Error() || IsMistake(err) {
		t.Errorf("a refused beginning gave %v, %v", checks, err)
	}
}

func TestOnlyTheOwnerMayUseTheSocket(t *testing.T) {
	path, _ := open(t, &desk{})
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("socket: %v, %v", info.Mode(), err)
	}
	info, err = os.Stat(filepath.Dir(path))
	if err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("folder: %v, %v", info.Mode(), err)
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(entries) != 1 {
		t.Errorf("something besides the socket lies there: %v, %v", entries, err)
	}
}

func TestASocketLeftBehindIsReplacedAndALivingOneIsNot(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	dead.SetUnlinkOnClose(false)
	if err := dead.Close(); err != nil {
		t.Fatal(err)
	}
	d := &desk{}
	first, err := Listen(path, d.operator(), silentLog())
	if err != nil {
		t.Fatal(err)
	}
	if second, err := Listen(path, d.operator(), silentLog()); err == nil || !strings.Contains(err.Error(), "another nightcell") {
		t.Errorf("a second daemon took the socket: %v, %v", second, err)
	}
	if err := Dial(path).ChangeAlarm(t.Context(), AlarmOrder{}); err != nil {
		t.Error(err)
	}
	for range 2 { // closing twice is harmless
		if err := first.Close(t.Context()); err != nil {
			t.Error(err)
		}
	}
	if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is still there: %v", err)
	}
	err = Dial(path).ChangeAlarm(t.Context(), AlarmOrder{})
	if err == nil || !strings.Contains(err.Error(), "nightcell is not running at "+path) {
		t.Errorf("without a daemon: %v", err)
	}
}

func TestWhatIsInTheWayStays(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "notes.txt")
	if err := os.WriteFile(path, []byte("keep"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, path := range map[string]string{"file": path, "folder": dir, "long": filepath.Join(dir, strings.Repeat("x", 120))} {
		if _, err := Listen(path, new(desk).operator(), silentLog()); err == nil {
			t.Errorf("%s: a socket was made", name)
		}
	}
	if data, err := os.ReadFile(path); string(data) != "keep" {
		t.Errorf("the file became %q, %v", data, err)
	}
}

func TestASocketOfAnotherDaemonIsNotRemoved(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	first, err := Listen(path, new(desk).operator(), silentLog())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil { // by hand, and then a second daemon starts
		t.Fatal(err)
	}
	second, err := Listen(path, new(desk).operator(), silentLog())
	if err != nil {
		t.Fatal(err)
	}
	if err := first.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if err := Dial(path).ChangeAlarm(t.Context(), AlarmOrder{}); err != nil {
		t.Errorf("the second daemon lost its socket: %v", err)
	}
	if err := second.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestMalformedOrders(t *testing.T) {
	d := &desk{}
	path, _ := open(t, d)
	plain := &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return net.Dial("unix", path) }}}
	for name, body := range map[string]string{
		"empty": "", "text": "off", "number": "1", "unknown key": `{"cell":"a","force":true}`, "two objects": `{"cell":"a"}{"cell":"b"}`,
		"wrong type": `{"cell":7}`, "huge": `{"cell":"` + strings.Repeat("x", longestBody) + `"}`, "half": `{"cell":`,
	} {
		response, err := plain.Post("http://nightcell/v1/off", "application/json", strings.NewReader(body))
		if err != nil {
			t.Fatal(name, err)
		}
		var said refused
		err = json.NewDecoder(response.Body).Decode(&said)
		_ = response.Body.Close()
		if response.StatusCode != http.StatusBadRequest || err != nil || said.Error == "" {
			t.Errorf("%s: status %d, %v, %v", name, response.StatusCode, said, err)
		}
	}
	for _, target := range []string{"GET /v1/off", "POST /v1/nothing", "POST /../etc", "DELETE /"} {
		conn, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(conn, "%s HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: 0\r\n\r\n", target)
		data, _ := io.ReadAll(conn)
		_ = conn.Close()
		if !strings.HasPrefix(string(data), "HTTP/1.1 4") && !strings.HasPrefix(string(data), "HTTP/1.1 3") {
			t.Errorf("%s was answered with %.40q", target, data)
		}
	}
	if len(d.heard()) != 0 {
		t.Errorf("the operator was asked %v", d.heard())
	}
}

func TestCloseDoesNotWaitForever(t *testing.T) {
	d := &desk{hold: make(chan struct{}), begun: make(chan struct{})}
	path := filepath.Join(t.TempDir(), "control.sock")
	s, err := Listen(path, d.operator(), silentLog())
	if err != nil {
		t.Fatal(err)
	}
	asked := make(chan error, 1)
	go func() {
		_, err := Dial(path).Drill(context.Background(), CellOrder{Cell: "zinc-1"})
		asked <- err
	}()
	conn, err := net.Dial("unix", path) // one that never says anything
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	<-d.begun
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := s.Close(ctx); err == nil {
		t.Error("closing did not say that it broke something off")
	}
	if err := <-asked; err == nil {
		t.Error("the drill was answered")
	}
}

// Who waits no longer is told what that leaves open, not by which address the daemon was asked.
func TestAnOrderWithoutAnAnswer(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	listener, err := net.Listen("unix", path) // takes the call and says nothing
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Second) // long enough to be connected on a busy machine
	defer cancel()
	_, err = Dial(path).Drill(ctx, CellOrder{Cell: "zinc-1"})
	if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "drill: the daemon at "+path+" did not answer in time") || strings.Contains(err.Error(), "http") {
		t.Errorf("%v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// TestAContradictionKeepsItsMeaning across the socket, where the line tells it from a mistake, and notes travel back.
func TestAContradictionKeepsItsMeaning(t *testing.T) {
	d := &desk{err: Contradiction("the books say %s", "50.3 g/L")}
	_, c := open(t, d)
	_, err := c.Enter(t.Context(), Entry{Cell: "zinc-1", Kind: "assay"})
	if !IsContradiction(err) || IsMistake(err) || err.Error() != "the books say 50.3 g/L" {
		t.Errorf("%v", err)
	}
	d.err, d.entered = nil, Entered{Notes: []string{"no metal was booked"}}
	got, err := c.Enter(t.Context(), Entry{Cell: "zinc-1", Kind: "assay", Certain: true})
	if err != nil || !cmp.Equal(got, d.entered) {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestCheckOfEntries: what comes past the command line is held against the same table.
func TestCheckOfEntries(t *testing.T) {
	for _, tt := range []struct {
		e    Entry
		want string // part of the refusal; empty: taken
	}{
		{Entry{Kind: "assay", Numbers: map[string]float64{"concentration_moles_per_cubic_metre": 0, "concentration_plus_minus_moles_per_cubic_metre": 1}}, ""},
		{Entry{Kind: "remark"}, ""},
		{Entry{Kind: "wish"}, "cannot be entered by hand"},
		{Entry{Kind: "assay", Numbers: map[string]float64{"volume_cubic_metres": 1}}, "no quantity"},
		{Entry{Kind: "assay", Numbers: map[string]float64{"concentration_moles_per_cubic_metre": math.Inf(1)}}, "not a number"},
		{Entry{Kind: "assay"}, "needs concentration"},
		{Entry{Kind: "discarded", Words: map[string]string{"what": "catholyte"}}, "how much of the catholyte"},
		{Entry{Kind: "discarded", Words: map[string]string{"what": "the bath"}, Numbers: map[string]float64{"volume_cubic_metres": 4e-4}}, ""},
		{Entry{Kind: "discarded", Words: map[string]string{"what": "a bent plate"}}, ""},
		{Entry{Kind: "remark", Words: map[string]string{"outcome": "confirmed"}}, "no text"},
		{Entry{Kind: "electrode", Words: map[string]string{"electrode": "cathode"}, Numbers: map[string]float64{bath.CathodeArea: -5e-4}}, "area of -5 cm2 is not possible: it has to be above zero, such as area=60 cm2"},
		{Entry{Kind: "electrode", Words: map[string]string{"electrode": "cathode"}, Numbers: map[string]float64{bath.CathodeArea: 6e-3}}, ""},
		{Entry{Kind: "measurement", Numbers: map[string]float64{"conductivity_siemens_per_metre": -1, "temperature_kelvins": 0, "volume_cubic_metres": -1e-3}},
			"temperature of -273.15 °C is not possible: it has to be above -273.15 °C, such as temperature=42 degC\n" +
				"conductivity of -1 S/m is not possible: it has to be above zero, such as conductivity=18 S/m\n" +
				"volume of -1 L is not possible: it has to be zero or above, such as volume=0.88 L"},
		{Entry{Kind: "sludge", Numbers: map[string]float64{"mass_kilograms": 0, "assay_ratio": 1}}, ""},
		{Entry{Kind: "sludge", Numbers: map[string]float64{"mass_kilograms": 1, "assay_ratio": 1.01}}, "assay of 101 % is not possible: it has to be from 0 % to 100 %"},
		{Entry{Kind: "identity", Text: "x", Numbers: map[string]float64{"pressure_pascals": 0}}, "pressure of 0 Pa is not possible: it has to be above zero"},
		{Entry{Kind: "sample", Numbers: map[string]float64{bath.LiquidVolume: 0}}, "volume of 0 mL is not possible: it has to be above zero, such as volume=5 mL"},
		{Entry{Kind: "check", Numbers: map[string]float64{"factor": 0}}, "factor of 0 is not possible: it has to be above zero"},
		{Entry{Kind: "cost", Numbers: map[string]float64{"amount": 0}}, ""},
		{Entry{Kind: "cost", Numbers: map[string]float64{"amount": -3.2}}, "amount of -3.2 is not possible: it has to be zero or above"},
		{Entry{Kind: "level", Numbers: map[string]float64{"level_metres": -0.01}}, "level of -10 mm is not possible"},
		{Entry{Kind: "water", Numbers: map[string]float64{"volume_cubic_metres": -1e-5}}, ""},
	} {
		err := tt.e.Check()
		if (tt.want == "") != (err == nil) || err != nil && (!strings.Contains(err.Error(), tt.want) || !IsMistake(err)) {
			t.Errorf("%+v: %v, want %q", tt.e, err, tt.want)
		}
	}
}

// TestWhatNothingCanHaveIsRefused holds every figure of every kind against its sign and its limits.
func TestWhatNothingCanHaveIsRefused(t *testing.T) {
	signed := map[string]bool{"water volume": true, "measurement ph": true, "zero current": true, "settle low": true, "settle best": true, "settle high": true}
	for _, k := range EntryKinds() {
		for _, f := range k.Fields {
			for _, u := range f.Units {
				said := func(log string, x float64) bool {
					err := Entry{Kind: k.Name, Numbers: map[string]float64{log: x}}.Check()
					return IsMistake(err) && strings.Contains(err.Error(), f.Name) && strings.Contains(err.Error(), " of ")
				}
				if got := said(u.Log, -1); got == signed[k.Name+" "+f.Name] {
					t.Errorf("%s: a %s below zero: refused %v", k.Name, f.Name, got)
				}
				if !said(u.doubt(), -1) {
					t.Errorf("%s: a ± below zero of %s is taken", k.Name, f.Name)
				}
			}
		}
	}
}

// TestAnEntryIsSaidAsItWasGiven, with the uncertainty that was stated with it.
func TestAnEntryIsSaidAsItWasGiven(t *testing.T) {
	for _, c := range []struct {
		kind, want string
		values     map[string]string
	}{
		{bath.EntryAssay, "concentration 41.2 g/L ± 0.4 g/L", map[string]string{"concentration": "41.2 g/L ± 0.4 g/L"}},
		{bath.EntryMeasurement, "temperature 31 °C ± 0.5 °C", map[string]string{"temperature": "31 degC ± 0.5 K"}},
		{"zero", "current 4 mA; uncertainty 1.732051 mA", map[string]string{"current": "4 mA ± 3 mA"}},
		{"check", "factor 1.002; uncertainty 0.001", map[string]string{"factor": "1.002", "uncertainty": "0.001"}},
		{bath.EntryAssay, "concentration 41.2 g/L", map[string]string{"concentration": "41.2 g/L"}},
	} {
		e, err := ParseEntry(c.kind, c.values, "")
		if err != nil || e.Said() != c.want {
			t.Errorf("%q, %v; want %q", e.Said(), err, c.want)
		}
	}
}

// TestKinds reads the table of kinds strictly: EntryKinds takes it as it is.
func TestKinds(t *testing.T) {
	var all struct{ Kind []EntryKind }
	meta, err := toml.Decode(kindsText, &all)
	if err != nil || len(meta.Undecoded()) > 0 {
		t.Fatalf("%v; unknown keys %v", err, meta.Undecoded())
	}
	for _, k := range all.Kind {
		for _, f := range k.Fields {
			if !slices.Contains([]string{"", "any", "above zero"}, f.Sign) || f.Name == "" || f.Label == "" {
				t.Errorf("%s: %+v", k.Name, f)
			}
		}
	}
	for _, name := range []string{
		EntryPhoto, EntryStripped, EntryCost, EntryChecklist, EntryIdentity, EntryDiscarded, runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle, runlog.EntryRetract,
		bath.EntryAddition, bath.EntryDose, bath.EntryWater, bath.EntrySample, bath.EntryAssay, bath.EntryWeighing, bath.EntrySludge, bath.EntryDried,
		bath.EntryElectrode, bath.EntryMeasurement, bath.EntryConfirm,
	} {
		if _, found := KindOfEntry(name); !found {
			t.Errorf("there is no kind %s", name)
		}
	}
}
