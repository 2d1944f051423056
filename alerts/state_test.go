package alerts

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestTransitions is the state diagram of ANSI/ISA-18.2-2016 and IEC 62682 as a table.
// The transitions among A to D are from public quotations of the standard; those through the latched states and the
// two ends of a release are from memory.
func TestTransitions(t *testing.T) {
	const same = stateCount
	tests := []struct {
		event              Event
		abnormal, latching bool
		// next state from each of A..I: NORM, UNACK, ACKED, RTNUN, LTUNK, LTACK, SHLVD, DSUPR, OOSRV
		to [stateCount]State
	}{
		{BecomesAbnormal, true, false, [...]State{UNACK, same, same, UNACK, UNACK, UNACK, same, same, same}},
		{BecomesAbnormal, true, true, [...]State{UNACK, same, same, UNACK, UNACK, UNACK, same, same, same}},
		{BecomesNormal, false, false, [...]State{same, RTNUN, NORM, same, same, same, same, same, same}},
		{BecomesNormal, false, true, [...]State{same, LTUNK, LTACK, same, same, same, same, same, same}},
		{Acknowledge, true, false, [...]State{same, ACKED, same, NORM, LTACK, same, same, same, same}},
		{Acknowledge, false, true, [...]State{same, ACKED, same, NORM, LTACK, same, same, same, same}},
		{Reannounce, true, false, [...]State{same, same, UNACK, same, same, same, same, same, same}},
		{Reset, false, true, [...]State{same, same, same, same, RTNUN, NORM, same, same, same}},
		{Shelve, true, false, [...]State{SHLVD, SHLVD, SHLVD, SHLVD, SHLVD, SHLVD, same, SHLVD, SHLVD}},
		{Suppress, true, false, [...]State{DSUPR, DSUPR, DSUPR, DSUPR, DSUPR, DSUPR, DSUPR, same, DSUPR}},
		{TakeOut, true, false, [...]State{OOSRV, OOSRV, OOSRV, OOSRV, OOSRV, OOSRV, OOSRV, OOSRV, same}},
		{Release, true, false, [...]State{same, same, same, same, same, same, UNACK, UNACK, UNACK}},
		{Release, false, false, [...]State{same, same, same, same, same, same, NORM, NORM, NORM}},
		{Unshelve, true, false, [...]State{same, same, same, same, same, same, UNACK, same, same}},
		{Unshelve, false, false, [...]State{same, same, same, same, same, same, NORM, same, same}},
		{PutBack, true, false, [...]State{same, same, same, same, same, same, same, same, UNACK}},
		{PutBack, false, false, [...]State{same, same, same, same, same, same, same, same, NORM}},
	}
	seen := map[Event]bool{}
	for _, tt := range tests {
		seen[tt.event] = true
		for from := range stateCount {
			want := tt.to[from]
			if want == same {
				want = from
			}
			if got := Next(from, tt.event, tt.abnormal, tt.latching); got != want {
				t.Errorf("event %d from %s (abnormal %v, latching %v): %s, want %s", tt.event, from, tt.abnormal, tt.latching, got, want)
			}
		}
	}
	if len(seen) != int(eventCount) {
		t.Errorf("the table has %d of %d events", len(seen), eventCount)
	}
}

// TestStateAttributes: which states sound, show and wait (ISA-18.2, state attributes).
func TestStateAttributes(t *testing.T) {
	tests := []struct {
		s                          State
		active, unanswered, hidden bool
	}{
		{NORM, false, false, false},
		{UNACK, true, true, false},
		{ACKED, true, false, false},
		{RTNUN, false, true, false},
		{LTUNK, false, true, false},
		{LTACK, false, false, false},
		{SHLVD, false, false, true},
		{DSUPR, false, false, true},
		{OOSRV, false, false, true},
	}
	if len(tests) != int(stateCount) {
		t.Fatalf("%d states in the table, %d exist", len(tests), stateCount)
	}
	for _, tt := range tests {
		if tt.s.Active() != tt.active || tt.s.Unanswered() != tt.unanswered || tt.s.Hidden() != tt.hidden {
			t.Errorf("%s: active %v, unanswered %v, hidden %v", tt.s, tt.s.Active(), tt.s.Unanswered(), tt.s.Hidden())
		}
	}
}

// TestNamesGoThroughJSON: states, priorities and conditions read back as written, and
// a wrong name says what would be right.
func TestNamesGoThroughJSON(t *testing.T) {
	type all struct {
		S []State
		P []Priority
		C []Condition
	}
	var in, out all
	for s := range stateCount {
		in.S = append(in.S, s)
	}
	for p := range priorityCount {
		in.P = append(in.P, p)
	}
	in.C = append(Conditions(), None)
	data, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &out); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(out)
	if err != nil || string(again) != string(data) {
		t.Errorf("%s became %s: %v", data, again, err)
	}
	for _, bad := range []string{`{"S":["BAD"]}`, `{"P":["urgent"]}`, `{"C":["over-currant"]}`} {
		if err := json.Unmarshal([]byte(bad), &out); err == nil {
			t.Errorf("%s was read without an error", bad)
		}
	}
}

// TestCatalogueIsComplete: every condition has a name of its own, words for a person,
// a source for its starting values, and consequences only of causes that stand before it or beside it.
func TestCatalogueIsComplete(t *testing.T) {
	names := map[string]bool{}
	for _, c := range Conditions() {
		e := &catalogue().rows[c]
		if e.Name == "" || names[e.Name] {
			t.Errorf("condition %d: name %q is missing or twice", c, e.Name)
		}
		names[e.Name] = true
		for _, s := range []string{e.Confirms, e.Meaning, e.First, e.Source} {
			if s == "" {
				t.Errorf("%s: a text or the source of the starting values is missing", c)
			}
		}
		if e.follows.has(c) {
			t.Errorf("%s consequence of itself", c)
		}
		for _, cause := range Conditions() {
			if e.follows.has(cause) && catalogue().rows[cause].follows.has(c) {
				t.Errorf("%s and %s follow from each other", c, cause)
			}
		}
		if got, err := ParseCondition(e.Name); err != nil || got != c {
			t.Errorf("ParseCondition(%q) = %v, %v", e.Name, got, err)
		}
	}
	// Logs and configurations know them by name: the rows of the file stand in the order of the constants.
	for c, name := range map[Condition]string{
		OffFailed: "off-failed", PortShared: "port-shared", SupplySilent: "supply-silent", MainsInterruption: "mains-interruption",
		LineLost: "line-lost", ProtectionTripped: "protection-tripped", OutputOff: "output-off", SetPointsChanged: "set-points-changed",
		ReadingFrozen: "reading-frozen", MeterSilent: "meter-silent", MeterDisagrees: "meter-disagrees", HardShort: "hard-short", LeadOff: "lead-off", AnodePassivation: "anode-passivation", ThermalRunaway: "thermal-runaway", OverCurrent: "over-current", CurrentDensity: "current-density", OverVoltage: "over-voltage", Whisker: "whisker", Contact: "contact", StirrerStopped: "stirrer-stopped",
		Depletion: "depletion", OhmicRise: "ohmic-rise", ModeFlip: "mode-flip", VoltageLimit: "voltage-limit", VoltageDrift: "voltage-drift", GasVentilation: "gas-ventilation", GapTooLong: "gap-too-long", UncertaintyLarge: "uncertainty-large",
		ChargeBehind: "charge-behind", ChargeAhead: "charge-ahead", TargetNear: "target-near", TargetReached: "target-reached", TimeLimit: "time-limit", MarginalEnergy: "marginal-energy", LogDisk: "log-disk", LogAltered: "log-altered", PushBehind: "push-behind",
		NotificationUndeliverable: "notification-undeliverable",
	} {
		if c.String() != name {
			t.Errorf("condition %d is %s, not %s", c, c, name)
		}
	}
	for before, now := range earlier {
		if c, err := ParseCondition(before); err != nil || c.String() != now {
			t.Errorf("the name %s of an earlier log: %v, %v", before, c, err)
		}
	}
	if _, err := ParseCondition(""); err == nil {
		t.Error("an empty name is a condition")
	}
}

// A mistake in the catalogue is found by the tests that read it.
func TestCatalogueRefusesMistakes(t *testing.T) {
	for _, c := range []struct{ before, after, says string }{
		{`needs = "reading"`, `needs = "a reading"`, `mains-interruption needs "a reading"`},
		{`follows = ["hard-short"]`, `follows = ["short"]`, `whisker follows "short"`},
		{"off_delay", "off_delays", "unknown keys [condition.off_delays"},
		{`priority = "highest"`, `priority = "top"`, `priority "top" is not known`},
		{catalogueTOML[strings.LastIndex(catalogueTOML, "[[condition]]"):], "", "38 conditions"},
	} {
		if _, err := readCatalogue(strings.Replace(catalogueTOML, c.before, c.after, 1)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s in place of %s: %v, want %q", c.after, c.before, err, c.says)
		}
	}
}

// An act's outcome reads as a sentence after the condition's name, for a person as for the board.
func TestAftermathReadsAsASentence(t *testing.T) {
	for _, c := range []struct {
		from, to State
		by, why  string
		want     string
	}{
		{UNACK, RTNUN, "", "", "Cleared; not acknowledged."},
		{UNACK, ACKED, "ann", "", "Acknowledged by ann."},
		{RTNUN, NORM, "ann", "", "Acknowledged by ann; cleared."},
		{UNACK, SHLVD, "ann", "new clip", "Shelved by ann (new clip)."},
		{SHLVD, UNACK, "ann", "", "Back in service by ann; active."},
		{DSUPR, NORM, "", reasonOver(becauseOff), "The output is on; alarm back in service."},
		{ACKED, UNACK, "ann", "", "Raised again by ann."},
		{ACKED, NORM, "", "", "Cleared."},
	} {
		if got := aftermath(c.from, c.to, c.by, c.why); got != c.want {
			t.Errorf("%s to %s: %q, want %q", c.from, c.to, got, c.want)
		}
	}
}

// Whoever is sent to a joint is told first to take the current off it.
func TestNobodyOpensAJointUnderCurrent(t *testing.T) {
	const beforeJoint = "Before opening or moving a joint, turn the current down, then off if the metal allows."
	for _, c := range []Condition{Whisker, Contact, LeadOff} {
		if text := catalogue().rows[c].First; !strings.Contains(text, beforeJoint) {
			t.Errorf("%s: %q", c, text)
		}
	}
	for _, c := range causes {
		if (strings.Contains(c.name, "clip") || strings.Contains(c.name, "joint")) && !strings.Contains(c.tells, tellJoint) {
			t.Errorf("%s: %q", c.name, c.tells)
		}
	}
}
