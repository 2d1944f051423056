package configs_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/drivers/scpi"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

// near compares to the accuracy of a float64 that went through one conversion.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-12*math.Abs(want) || math.IsNaN(got) != math.IsNaN(want) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func equal[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func load(t *testing.T, name string) *configs.Config {
	t.Helper()
	c, err := configs.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Each shipped example has a test of its own below; this one finds an example without.
func TestEveryExampleIsChecked(t *testing.T) {
	self, err := os.ReadFile("examples_test.go")
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("*.toml")
	if err != nil || len(files) < 7 {
		t.Fatalf("examples: %v, %v", files, err)
	}
	for _, f := range files {
		c := load(t, f)
		if !strings.Contains(string(self), `load(t, "`+f+`")`) {
			t.Errorf("%s has no test", f)
		}
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(string(text), "# ") || !strings.Contains(string(text), "nvented") {
			t.Errorf("%s does not begin by saying what it is for and that it is invented", f)
		}
		for i := range c.Cells {
			frozen, err := c.Frozen(c.Cells[i].Name)
			if err != nil {
				t.Error(err)
				continue
			}
			again, err := configs.Parse("run.toml", frozen)
			if err != nil {
				t.Errorf("%s, frozen for %s: %v\n%s", f, c.Cells[i].Name, err, frozen)
				continue
			}
			equal(t, f+": data after freezing", again.Data, c.Data)
			equal(t, f+": poll after freezing", again.Cells[0].Poll, c.Cells[i].Poll)
			equal(t, f+": cells after freezing", len(again.Cells), 1)
			equal(t, f+": supplies after freezing", len(again.Supplies), 1)
		}
	}
}

func TestSingleCell(t *testing.T) {
	c := load(t, "single-cell.toml")
	equal(t, "data", c.Data, "nightcell-data")
	equal(t, "socket", c.Socket, filepath.Join("nightcell-data", "control.sock"))
	equal(t, "listen", c.Page.Listen, "127.0.0.1:9648")
	s, cell := c.Supply("bench"), c.Cell("zinc-1")
	equal(t, "baud", s.Line.Baud, 9600)
	equal(t, "stop bits", s.Line.StopBits, "1")
	equal(t, "dialect", s.Dialect.MeasureVolts, "MEAS:VOLT?")
	equal(t, "accuracy assumed", s.Assumed, true)
	near(t, "range", s.RangeAmperes, math.NaN())
	equal(t, "poll", cell.Poll, time.Second)
	equal(t, "gap after", cell.GapAfter, 10*time.Second)
	equal(t, "permission", cell.May, alerts.Permission{})
	equal(t, "at target", cell.AtTarget, alerts.Notify)
	near(t, "limit", cell.Limits.Amperes, 3.3)
	plan, err := cell.Plan(s)
	if err != nil {
		t.Fatal(err)
	}
	// 31.5 g of zinc, two electrons: m·2F/(M·0.88), F from CODATA, M = 65.38(2) g/mol (CIAAW).
	near(t, "target charge", plan.Goal.Charge.Value, 0.0315*2*96485.33212331/0.06538/0.88)
}

// TestPackaged: what the package lays down needs only a port, permits nothing and shows itself to this machine alone.
func TestPackaged(t *testing.T) {
	c := load(t, "nightcell.toml")
	equal(t, "data", c.Data, "/var/lib/nightcell")
	equal(t, "listen", c.Page.Listen, "127.0.0.1:9648")
	equal(t, "permission", c.Cell("zinc-1").May, alerts.Permission{})
	if open := c.Unfilled(); len(open) != 1 || open[0].Key != "supply.bench.port" {
		t.Errorf("to be filled in: %v", open)
	}
}

// TestRehearsal holds the rehearsal against what README tells to type: it must find the simulated supply.
func TestRehearsal(t *testing.T) {
	c := load(t, "rehearsal.toml")
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"nightcell simulate --link " + c.Supplies[0].Line.Address + " --speed 60\n", "nightcell watch --config configs/rehearsal.toml --speed 60\n"} {
		if !strings.Contains(string(readme), line) {
			t.Errorf("README does not say %q", line)
		}
	}
	equal(t, "identity", c.Supplies[0].Identity, "EXAMPLE,PS-30-5")
	if cell := c.Cell("zinc-1"); cell.Limits.Amperes <= 3 || cell.Limits.Volts <= 4 {
		t.Errorf("the limits %g A and %g V raise alarms on the simulated cell at 3 A and 3.9 V", cell.Limits.Amperes, cell.Limits.Volts)
	}
}

func TestTwoSupplies(t *testing.T) {
	c := load(t, "two-supplies.toml")
	equal(t, "supplies", len(c.Supplies), 2)
	equal(t, "first", c.Supplies[0].Name, "left")
	equal(t, "parity", c.Supply("right").Line.Parity, "even")
	equal(t, "addressing", c.Supply("left").Dialect.Addressing, "list")
	equal(t, "second channel", c.Cell("zinc-2").Channel, 2)
	equal(t, "poll", c.Cell("zinc-3").Poll, 500*time.Millisecond)
	near(t, "content", c.Cell("zinc-2").Bath.Concentration.Value, 840*65.38e-3)
	near(t, "density limit", c.Cell("zinc-2").Limits.AmperesPerSquareMetre, 500)
	near(t, "area for the alarm", c.Cell("zinc-2").Limits.CathodeSquareMetres, 0.006)
	plan, err := c.Cell("zinc-2").Plan(c.Supply("left"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "zinc in the bath", plan.Amount.Value, 0.84*0.9*0.06538)
	plan, err = c.Cell("zinc-3").Plan(c.Supply("right"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "charge", plan.Goal.Charge.Value, 26*3600)
	count := c.Cell("zinc-1").Coulometer(c.Supply("left"))
	near(t, "zero", count.ZeroAmperes, 0.0015)
	near(t, "zero's uncertainty", count.ZeroUncertainty, 0.0005/math.Sqrt(3))
	near(t, "correction", count.CorrectionFactor, 1.0021)
	near(t, "timebase", count.TimebaseRelative, 20e-6)
	near(t, "correction nobody stated", c.Cell("zinc-3").Coulometer(c.Supply("right")).CorrectionFactor, 1)
}

func TestDividedZincOvernight(t *testing.T) {
	c := load(t, "divided-zinc-overnight.toml")
	s, cell := c.Supply("bench"), c.Cell("zinc-1")
	near(t, "gain", s.Accuracy.GainRelative, 0.001)
	equal(t, "accuracy assumed", s.Assumed, false)
	equal(t, "permission", cell.May, alerts.Permission{Off: true})
	equal(t, "at target", cell.AtTarget, alerts.Off)
	equal(t, "on stop", cell.OnStop, alerts.Notify)
	equal(t, "reactions", len(cell.Reactions), 1)
	equal(t, "reaction", cell.Reactions[0], alerts.Reaction{Condition: alerts.HardShort, Do: alerts.Off, After: 5 * time.Second})
	equal(t, "on-delay", cell.Limits.Setting(alerts.OverCurrent).OnDelay, 3*time.Second)
	equal(t, "separator", cell.States.Separator, electrolysis.Diaphragm)
	equal(t, "divided", cell.Divided(), true)
	near(t, "volume", cell.Bath.Volume.Value, 0.0009)
	near(t, "its uncertainty", cell.Bath.Volume.StandardUncertainty, 0.0009*0.02/math.Sqrt(3))
	near(t, "ventilation", cell.States.Airflow.Value, 5.0/3600)
	plan, err := cell.Plan(s)
	if err != nil {
		t.Fatal(err)
	}
	// 0.9 L at 55 g/L hold 49.5 g of zinc (65.38 g/mol, CIAAW abridged), whose 85 % ask for 124.2 kC at 100 %.
	near(t, "zinc in the bath", plan.Amount.Value, 0.0495)
	if charge := plan.Goal.Charge.Value; math.Abs(charge-0.85*49.5/65.38*2*96485.33/0.88) > 50 {
		t.Errorf("target charge is %v C", charge)
	}
	count := cell.Coulometer(s)
	if err := count.Validate(); err != nil {
		t.Error(err)
	}
	equal(t, "gap after", count.GapAfter, 10*time.Second)
	if _, err := electrolysis.Assess(cell.Conditions(plan, math.NaN())); err != nil {
		t.Error(err)
	}
}

func TestHoldAtTarget(t *testing.T) {
	c := load(t, "hold-at-target.toml")
	cell := c.Cell("zinc-1")
	equal(t, "permission", cell.May, alerts.Permission{Hold: true})
	equal(t, "at target", cell.AtTarget, alerts.Hold)
	near(t, "hold", cell.HoldAmperes, 0.2)
	equal(t, "reason, of which a hold needs none", cell.Reason, "")
	equal(t, "reactions", len(cell.Reactions), 1)
	equal(t, "reaction", cell.Reactions[0], alerts.Reaction{Condition: alerts.TimeLimit, Do: alerts.Hold})
	equal(t, "limit of the run", cell.Limits.Run, 14*time.Hour)
	equal(t, "lead", cell.Limits.TargetLead, 45*time.Minute)
	plan, err := cell.Plan(c.Supply("bench"))
	if err != nil {
		t.Fatal(err)
	}
	if !plan.MassTransfer.Known() {
		t.Error("the efficiency does not fall with the bath")
	}
}

// TestThePickleIsAPickle: what we ship wins zinc alone, and the bath is stated by assay, with its iron, its acid
// and its anion, as a spent pickle is, and not as a bought salt.
func TestThePickleIsAPickle(t *testing.T) {
	files, err := filepath.Glob("*.toml")
	if err != nil {
		t.Fatal(err)
	}
	baths := 0
	for _, f := range files {
		c := load(t, f)
		for i := range c.Cells {
			b, acid := c.Cells[i].Bath, c.Cells[i].States.FreeAcid.Value
			if b == nil {
				continue
			}
			if b.Metal != "Zn" {
				t.Errorf("%s wins %s; our examples are of zinc", f, b.Metal)
			}
			baths++
			iron := slices.ContainsFunc(b.Salts, func(s bath.Salt) bool { return strings.HasPrefix(s.Formula, "FeSO4") })
			bought := slices.ContainsFunc(b.Salts, func(s bath.Salt) bool { return strings.HasPrefix(s.Formula, "Zn") })
			if !iron || bought || !(b.Concentration.Value > 0 || b.MetalMass.Value > 0) || !(acid > 0) || b.Medium != "sulfate" {
				t.Errorf("%s, %s: zinc %v, iron %v, acid %v, medium %q, bought salt %v", f, c.Cells[i].Name, b.Concentration.Value, iron, acid, b.Medium, bought)
			}
		}
	}
	if baths < 8 {
		t.Errorf("only %d zinc baths", baths)
	}
}

func TestNetworkSupply(t *testing.T) {
	c := load(t, "network-supply.toml")
	s, cell := c.Supply("rack"), c.Cell("zinc-1")
	equal(t, "address", s.Settings(1, math.NaN()).Line.Address, "tcp://192.0.2.7:5025")
	equal(t, "silence", cell.Limits.Silence, time.Minute)
	equal(t, "gap alarm", cell.Limits.Gap, time.Minute)
	equal(t, "learned", cell.Efficiency.Learned, true)
	plan, err := cell.Plan(s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "zinc", plan.Amount.Value, 0.0495)
}

func TestModbusSupply(t *testing.T) {
	d := load(t, "modbus-supply.toml").Supply("rack").Dialect
	equal(t, "protocol", d.Protocol, scpi.ModbusRTU)
	equal(t, "unit", d.Unit, 7)
	equal(t, "a query that the map leaves out", d.LimitVolts, "")
	equal(t, "no error queue", d.Errors, "")
}

func TestOddDialect(t *testing.T) {
	c := load(t, "odd-dialect.toml")
	d := c.Supply("old").Dialect
	equal(t, "volts", d.MeasureVolts, "TELL{n} V?")
	equal(t, "both", d.MeasureBoth, "")
	equal(t, "mode bits", d.ModeConstantCurrent, uint16(4))
	equal(t, "pause", time.Duration(d.Pause), 60*time.Millisecond)
	equal(t, "terminator", d.Terminator, "\r")
	equal(t, "kept from the standard", time.Duration(d.Quiet), 50*time.Millisecond)
	d = c.Supply("bare").Dialect
	equal(t, "no terminator", d.Terminator, scpi.NoTerminator)
	equal(t, "silence", time.Duration(d.ReplySilence), 60*time.Millisecond)
	equal(t, "output bit", d.OutputOn, uint16(8))
	equal(t, "amperes within the command", d.SetCurrent, "AIM{n}={amperes}!")
	equal(t, "mode with no bit set", d.ModeOtherwise, "constant-current")
	if c.Cell("zinc-1").Target != nil {
		t.Error("a target nobody stated")
	}
}

func TestNoticesAndDatabases(t *testing.T) {
	c := load(t, "notices-and-databases.toml")
	equal(t, "web configuration", c.Page.WebConfig, "web.yml")
	equal(t, "proof", c.RouteProof, 7*24*time.Hour)
	names := []string{"phone", "second-person", "log-book", "buzzer", "house", "rota"}
	for i, r := range c.Routes {
		equal(t, "route", r.Name, names[i])
	}
	phone, second, book, buzzer, house := c.Routes[0], c.Routes[1], c.Routes[2], c.Routes[3], c.Routes[4]
	equal(t, "phone carries", phone.Least, alerts.High)
	equal(t, "phone's secret", phone.URL, routes.Secret{File: "/etc/nightcell/phone-url"})
	equal(t, "escalation", second.After, 30*time.Minute)
	equal(t, "book repeats", book.Repeat, 0)
	equal(t, "quiet from", book.Quiet.From, 22*time.Hour)
	equal(t, "quiet to", book.Quiet.To, 7*time.Hour)
	equal(t, "quiet in", book.Quiet.Location.String(), "Europe/Vienna")
	equal(t, "buzzer", strings.Join(buzzer.Command, " "), "/usr/local/bin/buzzer --seconds 20")
	equal(t, "house password", house.Password, routes.Secret{Environment: "MQTT_PASSWORD"})
	equal(t, "first push", c.Pushes[0].Database, "lab")
	equal(t, "second push", c.Pushes[1].Bucket, "nightcell")
	equal(t, "tag", c.Pushes[1].Tags["bench"], "north")
	equal(t, "heartbeat", c.Heartbeat.Every, time.Minute)
}

// The unit is text for another program; what must not get lost in it is checked here.
func TestUnit(t *testing.T) {
	unit, err := os.ReadFile("nightcell.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"Type=notify", "WatchdogSec=60", "Restart=on-failure", "RestartPreventExitStatus=2 78", "Environment=GOTRACEBACK=crash", "StartLimitIntervalSec=0",
		"NoNewPrivileges=yes", "ProtectSystem=strict", "DynamicUser=yes", "StateDirectory=nightcell", "SupplementaryGroups=dialout",
		"PrivateUsers=yes", "PrivateMounts=yes", "UMask=0077", "LoadCredential=secret:/etc/nightcell/secrets", "SystemCallFilter=@system-service", "SystemCallFilter=~@privileged @resources", "#IPAddressDeny=any", "#IPAddressAllow=localhost"} {
		if !strings.Contains(string(unit), "\n"+line+"\n") {
			t.Errorf("the unit lacks %s", line)
		}
	}
}

// TestUnitLeavesTheWatchItsMeans: what would take the clock since boot or every notice from it stays out.
func TestUnitLeavesTheWatchItsMeans(t *testing.T) {
	unit, err := os.ReadFile("nightcell.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, setting := range []string{"ProcSubset=", "IPAddressDeny=", "PrivateNetwork=", "PrivateDevices="} {
		if strings.Contains(string(unit), "\n"+setting) {
			t.Errorf("the unit sets %s", setting)
		}
	}
	for _, why := range []string{"a route or a heartbeat to another host", "a push to a database elsewhere", "a supply on the network", "a page\n# that other machines open"} {
		if !strings.Contains(string(unit), why) {
			t.Errorf("the unit does not say that IPAddressDeny must be off with %q", why)
		}
	}
}

// TestUnitByItsOwnJudge asks systemd: it knows every line, and counts an exposure of at most 1.3 of 10.
func TestUnitByItsOwnJudge(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") != "" {
			t.Fatal(err)
		}
		t.Skip("systemd-analyze is not installed")
	}
	out, err := exec.CommandContext(t.Context(), "systemd-analyze", "--no-pager", "--offline=yes", "--threshold=13", "security", "nightcell.service").CombinedOutput()
	if err != nil || strings.Contains(string(out), "Unknown") || strings.Contains(string(out), "Failed to parse") {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestLaunchd: the file for launchd is whole, and starts the watch again unless it was told to stop.
func TestLaunchd(t *testing.T) {
	text, err := os.ReadFile("nightcell.plist")
	if err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(bytes.NewReader(text)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	flat := strings.Join(strings.Fields(string(text)), "")
	for _, want := range []string{"<string>watch</string><string>--config</string>", "<key>RunAtLoad</key><true/>", "<key>KeepAlive</key><dict><key>SuccessfulExit</key><false/></dict>",
		"<key>ExitTimeOut</key><integer>120</integer>"} {
		if !strings.Contains(flat, want) {
			t.Errorf("the file lacks %s", want)
		}
	}
}

// What stands in the file of every key as a default is the default, and no key
// that the schema knows is missing there: the schema is asked by way of its own
// complaint about a key that does not exist.
func TestEveryKey(t *testing.T) {
	c := load(t, "every-key.toml")
	equal(t, "limits", c.Cell("zinc-1").Limits.Silence, alerts.Defaults().Silence)
	equal(t, "chatter", c.Cell("zinc-1").Limits.Chatter, alerts.Defaults().Chatter)
	equal(t, "flood", c.Cell("zinc-1").Limits.Flood, alerts.Defaults().Flood)
	equal(t, "dialect", c.Supply("bench").Dialect, scpi.Standard())
	bare, err := configs.Parse("bare.toml", []byte("data = \"d\"\n[supply.bench]\nport = \"p\"\n[cell.zinc-1]\nsupply = \"bench\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	a, b := c.Supply("bench").Accuracy, bare.Supply("bench").Accuracy
	near(t, "assumed gain", b.GainRelative, a.GainRelative)
	near(t, "assumed offset", b.OffsetAmperes, a.OffsetAmperes)
	near(t, "assumed step", b.VoltResolution, a.VoltResolution)
	near(t, "assumed timebase", b.TimebaseRelative, a.TimebaseRelative)
	x, y := c.Cell("zinc-1").Limits, bare.Cell("zinc-1").Limits
	equal(t, "frozen", y.Frozen, x.Frozen)
	equal(t, "lead", y.TargetLead, x.TargetLead)
	near(t, "log", y.LogBytes, x.LogBytes)
	near(t, "drift", y.DriftVolts, x.DriftVolts)
	near(t, "settled", y.Warmup.SettledSlope, x.Warmup.SettledSlope)
	equal(t, "poll", bare.Cells[0].Poll, c.Cells[0].Poll)
	equal(t, "sync", bare.Cells[0].Sync, c.Cells[0].Sync)

	text, err := os.ReadFile("every-key.toml")
	if err != nil {
		t.Fatal(err)
	}
	header := regexp.MustCompile(`(?m)^\[.+$`)
	asked := header.ReplaceAllString(string(text), "$0\nthere-is-no-such-key-as-this = 1\n")
	asked = "there-is-no-such-key-as-this = 1\n" + strings.ReplaceAll(asked, "{ formula", "{ there-is-no-such-key-as-this = 1, formula")
	_, err = configs.Parse("asked.toml", []byte(asked))
	var mistakes configs.Mistakes
	if !errors.As(err, &mistakes) || len(mistakes) < len(header.FindAllString(string(text), -1)) {
		t.Fatal(err)
	}
	for _, m := range mistakes {
		list, ok := strings.CutPrefix(m.Remedy, "choose from ")
		if !ok {
			t.Errorf("not the complaint that was expected: %v", m)
			continue
		}
		for _, key := range strings.Split(list, ", ") {
			quoted := regexp.QuoteMeta(key)
			if !regexp.MustCompile(`(?m)(^|^# |[{,] )` + quoted + ` = |^\[([a-z0-9.-]+\.)?` + quoted + `(\.[a-z0-9-]+)?\]`).Match(text) {
				t.Errorf("%s: the key %s is not shown in every-key.toml", m.Key, key)
			}
		}
	}
}
