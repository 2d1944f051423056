package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
)

// deskClerk is a daemon that notes its orders. Orders it does not know about panic.
type deskClerk struct {
	orders   chan any
	err      error
	cells    []control.Cell
	alarms   []control.Alarm
	receipts []routes.Receipt
	entered  control.Entered
}

func (d *deskClerk) operator() *control.Operator {
	return &control.Operator{
		Status: d.Status, Alarms: d.Alarms, ChangeAlarm: d.ChangeAlarm, Enter: d.Enter, Off: d.Off, Step: d.Step, Drill: d.Drill,
	}
}

func (d *deskClerk) note(v any) error { d.orders <- v; return d.err }

func (d *deskClerk) Status(context.Context) ([]control.Cell, error) { return d.cells, d.note("status") }

func (d *deskClerk) Alarms(_ context.Context, cell string) ([]control.Alarm, error) {
	return d.alarms, d.note(cell)
}
func (d *deskClerk) ChangeAlarm(_ context.Context, o control.AlarmOrder) error { return d.note(o) }
func (d *deskClerk) Enter(_ context.Context, e control.Entry) (control.Entered, error) {
	return d.entered, d.note(e)
}
func (d *deskClerk) Off(_ context.Context, o control.CellOrder) (control.Outcome, error) {
	return control.Outcome{Verified: true, Text: "no current flows"}, d.note(o)
}
func (d *deskClerk) Step(_ context.Context, o control.StepOrder) (control.StepResult, error) {
	return control.StepResult{}, d.note(o)
}
func (d *deskClerk) Drill(_ context.Context, o control.CellOrder) ([]routes.Receipt, error) {
	return d.receipts, d.note(o)
}

// order runs one command line against the clerk and returns what it printed and what was ordered.
func order(t *testing.T, d *deskClerk, command func(*shell) *cobra.Command, args ...string) (out string, ordered any, err error) {
	t.Helper()
	d.orders = make(chan any, 1)
	path := filepath.Join(t.TempDir(), "control.sock")
	server, err := control.Listen(path, d.operator(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := server.Close(context.Background()); err != nil {
			t.Error(err)
		}
	}()
	var printed bytes.Buffer
	cmd := command(&shell{out: &printed, err: &printed})
	cmd.SilenceErrors, cmd.SilenceUsage = true, true
	cmd.SetFlagErrorFunc(flagMistake)
	args = append(args, "--socket", path)
	if cmd.PersistentFlags().Lookup("by") != nil { // it writes something down
		args = append(args, "--by", "ann")
	}
	cmd.SetArgs(args)
	err = cmd.ExecuteContext(t.Context())
	select {
	case ordered = <-d.orders:
	default:
	}
	return printed.String(), ordered, err
}

func newOff(s *shell) *cobra.Command { return newOutputCommand(s, "off") }

func TestAlarmsAreListedWithWhatToDoFirst(t *testing.T) {
	d := &deskClerk{alarms: []control.Alarm{
		{Cell: "zinc-1", Alarm: alerts.Alarm{Condition: "hard-short", State: alerts.UNACK, Priority: alerts.Highest, Since: time.Now(), First: true, Text: "0.3 V at 3 A\x1b[2J", Action: "Look between the electrodes."}},
		{Cell: "zinc-2", Alarm: alerts.Alarm{Condition: "contact", State: alerts.SHLVD, Priority: alerts.Low, Reason: "clip is being replaced", By: "ann", ShelfEnds: time.Now().Add(time.Hour)}},
		{Cell: "zinc-2", Alarm: alerts.Alarm{Condition: "stirrer-stopped", State: alerts.OOSRV, Priority: alerts.Low, Reason: "no stirrer tonight", By: "bob"}},
		{Cell: "zinc-2", Alarm: alerts.Alarm{Condition: "hard-short", State: alerts.DSUPR, Priority: alerts.Highest, Reason: "the output is off"}},
	}}
	out, cell, err := order(t, d, newAlarmsCommand)
	if err != nil || cell != "" {
		t.Fatalf("%v, asked for %q", err, cell)
	}
	for _, want := range []string{"highest", "UNACK", "hard-short", "(first) 0.3 V at 3 A", "→ Look between the electrodes.", "shelved: clip is being replaced, by ann; until", "out of service: no stirrer tonight, by bob)", "suppressed: the output is off)"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	if strings.Contains(out, "\x1b") {
		t.Error("a control character reached the terminal")
	}
	if out, cell, err := order(t, d, newAlarmsCommand, "zinc-1", "--json"); err != nil || cell != "zinc-1" || !strings.Contains(out, `"condition": "hard-short"`) {
		t.Errorf("as JSON: %v, %v\n%s", cell, err, out)
	}
	if out, _, err := order(t, &deskClerk{}, newAlarmsCommand); err != nil || out != "no alarms\n" {
		t.Errorf("without alarms: %q, %v", out, err)
	}
}

func TestOrdersReachTheDaemon(t *testing.T) {
	alarm := func(act control.AlarmAct) control.AlarmOrder {
		return control.AlarmOrder{Act: act, Cell: "zinc-1", Condition: "contact", By: "ann"}
	}
	shelve := alarm(control.Shelve)
	shelve.Reason, shelve.Seconds = "new clip", 5400
	for name, c := range map[string]struct {
		command func(*shell) *cobra.Command
		args    []string
		want    any
	}{
		"acknowledge": {newAlarmsCommand, []string{"ack", "zinc-1", "contact"}, alarm(control.Acknowledge)},
		"shelve":      {newAlarmsCommand, []string{"shelve", "zinc-1", "contact", "--for", "90 min", "--reason", "new clip"}, shelve},
		"unshelve":    {newAlarmsCommand, []string{"unshelve", "zinc-1", "contact"}, alarm(control.Unshelve)},
		"addition": {newEnterCommand, []string{"zinc-1", "addition", "formula=ZnSO4·7H2O", "mass=50 g ± 0.5 g", "assay=99 %", "second", "bottle"}, control.Entry{
			Cell: "zinc-1", Kind: "addition", By: "ann", Text: "second bottle", Words: map[string]string{"formula": "ZnSO4·7H2O"},
			Numbers: map[string]float64{"mass_kilograms": 0.05, "mass_plus_minus_kilograms": 0.0005, "assay_ratio": 0.99},
		}},
		"assay by amount": {newEnterCommand, []string{"zinc-1", "assay", "concentration=0.2 mol/L", "--at", "2026-03-01T22:15:00+01:00"}, control.Entry{
			Cell: "zinc-1", Kind: "assay", By: "ann", At: time.Date(2026, 3, 1, 21, 15, 0, 0, time.UTC),
			Numbers: map[string]float64{"concentration_moles_per_cubic_metre": 200},
		}},
		"measurement": {newEnterCommand, []string{"zinc-1", "measurement", "temperature=25 °C", "ph=1.5"}, control.Entry{
			Cell: "zinc-1", Kind: "measurement", By: "ann", Numbers: map[string]float64{"temperature_kelvins": 298.15, "ph": 1.5},
		}},
		"off":    {newOff, []string{"zinc-1", "--confirm", "zinc-1"}, control.CellOrder{Cell: "zinc-1", By: "ann"}},
		"remark": {newEnterCommand, []string{"zinc-1", "remark", "stirrer replaced"}, control.Entry{Cell: "zinc-1", Kind: "remark", By: "ann", Text: "stirrer replaced"}},
		"settle": {newEnterCommand, []string{"zinc-1", "settle", "gap=2", "low=0 C", "best=0.1 A h", "high=400 C"}, control.Entry{
			Cell: "zinc-1", Kind: "settle", By: "ann", Numbers: map[string]float64{"index": 2, "low": 0, "best": 360, "high": 400},
		}},
	} {
		t.Run(name, func(t *testing.T) {
			out, got, err := order(t, &deskClerk{}, c.command, c.args...)
			if err != nil || out == "" {
				t.Fatalf("%v, printed %q", err, out)
			}
			sameInstant := cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) })
			if diff := cmp.Diff(c.want, got, sameInstant); diff != "" {
				t.Errorf("ordered (-want +got):\n%s", diff)
			}
		})
	}
}

// TestAnEntryAgainstTheBooks is refused with a word on how to insist, and what the daemon notes is printed.
func TestAnEntryAgainstTheBooks(t *testing.T) {
	assay := []string{"zinc-1", "assay", "concentration=503 g/L"}
	_, _, err := order(t, &deskClerk{err: control.Contradiction("the assay gives 503 g/L, the mass balance 50.3 g/L: target 7.72 → 78.90 A·h")}, newEnterCommand, assay...)
	var usage usageError
	if err == nil || errors.As(err, &usage) || !strings.Contains(err.Error(), "7.72 → 78.90 A·h. If the entry is right, repeat it with --certain") {
		t.Errorf("refused as %v", err)
	}
	d := &deskClerk{entered: control.Entered{Notes: []string{"no metal was booked\x1b[2J"}}}
	out, got, err := order(t, d, newEnterCommand, append(assay, "--certain")...)
	if e, ok := got.(control.Entry); err != nil || !ok || !e.Certain || !strings.HasPrefix(out, "assay entered for zinc-1\nno metal was booked") || strings.Contains(out, "\x1b") {
		t.Errorf("%+v, %v, printed %q", got, err, out)
	}
	unconfirmed := control.Cell{Name: "zinc-1", Unconfirmed: "assay", TargetWith: 284040, TargetWithout: 27792}
	var status bytes.Buffer
	if err := showStatus(&status, []control.Cell{unconfirmed}); err != nil || !strings.Contains(status.String(), "unconfirmed assay contradicts the mass balance: target 78.90 A·h with it, 7.72 A·h without; the earlier applies") {
		t.Errorf("%v, %s", err, status.String())
	}
}

func TestMistakesOfTheOperatorAreUsageErrors(t *testing.T) {
	for _, c := range []struct {
		command func(*shell) *cobra.Command
		args    string
		says    string
	}{
		{newAlarmsCommand, "ack zinc-1", "nightcell alarms ack CELL CONDITION"},
		{newAlarmsCommand, "a b", "nightcell alarms [CELL]"},
		{newAlarmsCommand, "shelve zinc-1 contact --reason x", "--for"},
		{newAlarmsCommand, "shelve zinc-1 contact --reason x --for 3V", "a time is needed"},
		{newAlarmsCommand, "shelve zinc-1 contact --for 2h", "--reason"},
		{newAlarmsCommand, "shelve zinc-1 contact --reason x --for -2h", "a time above zero"},
		{newEnterCommand, "zinc-1 wish mass=1g", `no entry of kind "wish"`},
		{newEnterCommand, "zinc-1 addition colour=blue", "it has: formula"},
		{newEnterCommand, "zinc-1 addition mass=1L", "a mass is needed"},
		{newEnterCommand, "zinc-1 addition mass=1,5g", "decimal point"},
		{newEnterCommand, "zinc-1 remark", "needs a text"},
		{newEnterCommand, "zinc-1 addition", "is empty"},
		{newEnterCommand, "zinc-1 sample text", "volume"},
		{newEnterCommand, "zinc-1 remark x --at yesterday", "--at"},
		{newEnterCommand, "zinc-1 settle gap=x low=0C best=0C high=1C", "gap"},
		{newEnterCommand, "zinc-1 settle gap=0 low=2C best=1C high=3C", "in ascending order"},
		{newEnterCommand, "zinc-1 settle gap=0 low=2C best=3C", "each as one charge"},
		{newEnterCommand, "zinc-1 settle gap=0 low=2C±1C best=3C high=4C", "each as one charge"},
		{newEnterCommand, "zinc-1 settle gap=0 lowest=2C", "lowest"},
		{newEnterCommand, "zinc-1 settle gap=0 off=02:10 best=3C", "not both"},
		{newDrillCommand, "", "0 arguments given; usage: nightcell drill CELL"},
		{newDrillCommand, "zinc-1 zinc-2", `"zinc-2" is one argument too many; usage: nightcell drill CELL`},
		{newEnterCommand, "", "0 arguments given; usage: nightcell enter CELL KIND"},
		{newEnterCommand, "zinc-1", "1 argument given; usage: nightcell enter CELL KIND"},
		{newBeginCommand, "zinc-1 --confirm leads,foo", `"foo": choose from leads, level, ventilation, containment`},
		{newStepCommand, "zinc-1 --down 150%", "between 0 % and 100 %"},
		{newOff, "zinc-1 --confirm zinc-2", "nightcell off zinc-1 --confirm zinc-1"},
	} {
		_, ordered, err := order(t, &deskClerk{}, c.command, strings.Fields(c.args)...)
		var usage usageError
		if !errors.As(err, &usage) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, which should be a usage error with %q", c.args, err, c.says)
		}
		if ordered != nil {
			t.Errorf("%s: %v was ordered", c.args, ordered)
		}
	}
	var usage usageError
	if _, _, err := order(t, &deskClerk{err: control.Unknown("there is no cell")}, newAlarmsCommand, "x"); !errors.As(err, &usage) {
		t.Errorf("an unknown cell: %v", err)
	}
	// The daemon alone knows how large a step may be.
	if _, _, err := order(t, &deskClerk{err: control.BadRequest("a step of 90 %%: choose a share from 0.5 %% to 10 %% of the set-point")}, newStepCommand, "zinc-1", "--down", "90 %"); !errors.As(err, &usage) || err.Error() != "a step of 90 %: choose a share from 0.5 % to 10 % of the set-point" {
		t.Errorf("a step that is too large: %v", err)
	}
	if _, _, err := order(t, &deskClerk{err: control.Refuse("it is NORM")}, newAlarmsCommand, "ack", "x", "y"); err == nil || errors.As(err, &usage) {
		t.Errorf("a refusal: %v", err)
	}
}

func TestDrillFailsUnlessEveryRouteProvesDelivery(t *testing.T) {
	good := routes.Receipt{Route: "phone", Delivered: true, Proof: "HTTP 204", TookSeconds: 0.2}
	bad := routes.Receipt{Route: "mail", Problem: "connection refused"}
	if out, cell, err := order(t, &deskClerk{receipts: []routes.Receipt{good}}, newDrillCommand, "zinc-1"); err != nil ||
		cell != (control.CellOrder{Cell: "zinc-1", By: "ann"}) || !strings.Contains(out, "HTTP 204") {
		t.Errorf("%q, %v, %v", out, cell, err)
	}
	out, _, err := order(t, &deskClerk{receipts: []routes.Receipt{good, bad}}, newDrillCommand, "zinc-1")
	if err == nil || !strings.Contains(err.Error(), "1 of 2") || !strings.Contains(out, "connection refused") {
		t.Errorf("%q, %v", out, err)
	}
	if out, _, err = order(t, &deskClerk{receipts: []routes.Receipt{bad}}, newDrillCommand, "zinc-1"); err == nil || !strings.Contains(out, "FAILED") {
		t.Errorf("%q, %v", out, err)
	}
	var usage usageError
	if _, _, err = order(t, &deskClerk{err: control.Refuse("no route is configured")}, newDrillCommand, "zinc-1"); !errors.As(err, &usage) || !strings.Contains(err.Error(), "no route is configured") {
		t.Errorf("without a route: %v", err)
	}
}

func TestWithoutADaemonTheCommandSaysWhatToDo(t *testing.T) {
	run := func(args ...string) error {
		cmd := newAlarmsCommand(&shell{out: &bytes.Buffer{}, err: &bytes.Buffer{}})
		cmd.SilenceErrors, cmd.SilenceUsage = true, true
		cmd.SetArgs(append([]string{}, args...)) // nil would mean the test's own
		return cmd.ExecuteContext(t.Context())
	}
	var usage usageError
	if err := run(); !errors.As(err, &usage) || !strings.Contains(err.Error(), "--config FILE or --socket PATH") {
		t.Errorf("without flags: %v", err)
	}
	if err := run("--config", filepath.Join(t.TempDir(), "none.toml")); !errors.As(err, &usage) {
		t.Errorf("without a file: %v", err)
	}
	if err := run("--socket", filepath.Join(t.TempDir(), "none.sock")); err == nil || errors.As(err, &usage) || !strings.Contains(err.Error(), "start `nightcell watch`") {
		t.Errorf("without a daemon: %v", err)
	}
}

func TestErrorsAreSpokenInTheWordsOfTheBench(t *testing.T) {
	for said, want := range map[string]string{
		"integrate: there is no gap 0; the run has 0, counted from 0": "there is no gap 0; the run has 0, counted from 0",
		"no route has delivered within 720h0m0s":                      "no route has delivered within 30 days",
		"mail delivered 3h0m12s ago; at most 24h0m0s":                 "mail delivered 3 h 12 s ago; at most 24 h",
	} {
		if got := inWords(said); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for d, want := range map[time.Duration]string{
		20 * time.Second: "20 s", 150 * time.Millisecond: "150 ms", 90 * time.Minute: "1 h 30 min", 36 * time.Hour: "36 h", 48 * time.Hour: "2 days", 0: "0 s",
	} {
		if got := quantity.Duration(d); got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
}

// A cell that was never read has no volts and amperes, least of all zeros.
func TestStatusOfACellNeverRead(t *testing.T) {
	never := quantity.Maybe(math.NaN())
	var b bytes.Buffer
	if err := showStatus(&b, []control.Cell{
		{Name: "zinc-1", State: "running", Volts: 3.2, Amperes: 3, ReadingAgeSeconds: 1, TargetCoulombs: never, DepositGrams: never},
		{Name: "zinc-2", State: "silent", Volts: never, Amperes: never, TargetCoulombs: never, DepositGrams: never, ReadingAgeSeconds: never},
	}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if f := strings.Fields(lines[1]); !slices.Equal(f[4:7], []string{"-", "3.200", "3.000"}) {
		t.Errorf("read: %q", lines[1])
	}
	if f := strings.Fields(lines[2]); !slices.Equal(f[4:7], []string{"-", "-", "-"}) {
		t.Errorf("never read: %q", lines[2])
	}
}

// TestStatusSaysAlarmsFirst: what needs a person stands behind the state, before the figures.
func TestStatusSaysAlarmsFirst(t *testing.T) {
	for want, c := range map[string]control.Cell{
		"none":                 {},
		"2 (0 unacknowledged)": {Alarms: 2},
		"3 (1 unacknowledged)": {Alarms: 3, Unanswered: 1},
	} {
		var b bytes.Buffer
		c.Name, c.State = "zinc-1", "running"
		if err := showStatus(&b, []control.Cell{c}); err != nil || !regexp.MustCompile(`zinc-1  running  `+regexp.QuoteMeta(want)+`  +0`).MatchString(b.String()) {
			t.Errorf("%q: %s", want, &b)
		}
	}
}

func TestStatusOfACellThatIsNot(t *testing.T) {
	d := &deskClerk{cells: []control.Cell{{Name: "zinc-1"}, {Name: "zinc-2"}}}
	if out, _, err := order(t, d, newStatusCommand, "zinc-9"); err == nil || err.Error() != `there is no cell "zinc-9"; the cells are zinc-1, zinc-2` {
		t.Errorf("%q, %v", out, err)
	}
	if out, _, err := order(t, d, newStatusCommand, "zinc-2"); err != nil || strings.Contains(out, "zinc-1") || !strings.Contains(out, "zinc-2") {
		t.Errorf("%q, %v", out, err)
	}
}

func showStatus(to io.Writer, cells []control.Cell) error {
	return (&shell{out: to}).show(false, nil, func(w io.Writer) { printStatus(w, cells) })
}
