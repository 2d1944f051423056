package sentence_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

var (
	berlin = time.FixedZone("CET", 3600)
	now    = time.Date(2026, 3, 2, 1, 12, 40, 0, time.UTC)
)

// zinc is a cell in the middle of a quiet night.
func zinc() *snapshot.Cell {
	return &snapshot.Cell{
		Name: "zinc-1", Link: snapshot.Link{Up: true}, Poll: snapshot.Poll{EverySeconds: 1},
		Reading: snapshot.Reading{At: now.Add(-time.Second), Volts: 3.2, Amperes: 2.63},
		Charge: snapshot.Charge{
			CountedCoulombs: 18.42 * 3600, UncertaintyCoulombs: 0.0345 * 3600, TargetCoulombs: 26.1 * 3600,
			SecondsToTarget: 12440, FinishesAt: time.Date(2026, 3, 2, 4, 40, 0, 0, time.UTC),
		},
	}
}

func TestOf(t *testing.T) {
	short := alerts.Alarm{Condition: "hard-short", State: alerts.UNACK, Priority: alerts.Highest, Text: "0.28 V at 2.63 A is under the floor. Likeliest a tree.", Action: "Switch off."}
	for _, c := range []struct {
		name   string
		change func(c *snapshot.Cell)
		want   string
		is     sentence.Standing
	}{
		{"quiet", func(*snapshot.Cell) {}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Nothing is wrong.", sentence.Well},
		{"tomorrow", func(c *snapshot.Cell) { c.Charge.FinishesAt = c.Charge.FinishesAt.Add(24 * time.Hour) },
			"Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes on Tue 3 Mar at 05:40. Nothing is wrong.", sentence.Well},
		{"no current", func(c *snapshot.Cell) { c.Charge.SecondsToTarget = math.Inf(1) },
			"Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; it will not finish at this current. Nothing is wrong.", sentence.Well},
		{"no target", func(c *snapshot.Cell) { c.Charge.TargetCoulombs, c.Charge.SecondsToTarget = math.NaN(), math.NaN() },
			"Zinc 1 has passed 18.420 ± 0.069 A·h; no target is set. Nothing is wrong.", sentence.Well},
		{"target reached", func(c *snapshot.Cell) { c.Charge.TargetReached = true }, "Zinc 1 has reached its target: 18.420 ± 0.069 A·h passed. Nothing is wrong.", sentence.Well},
		{"done", func(c *snapshot.Cell) {
			c.Ended, c.EndedWhy, c.Waiting, c.Link.Up, c.Charge.TargetReached = true, "the target was reached", true, false, true
		},
			"Zinc 1 is done: 18.420 ± 0.069 A·h of 26.1 A·h passed. Reason: the target was reached. Nothing is wrong.", sentence.Well},
		{"done, in a bath that dissolves it", func(c *snapshot.Cell) {
			c.Ended, c.EndedWhy, c.Charge.TargetReached, c.Began, c.Elapsed = true, "the target was reached", true, now.Add(-10*time.Hour), 9*time.Hour
			c.Lift, c.AtRest = true, "zinc dissolves in its own acid as soon as the current stops"
		},
			"Zinc 1 is done: 18.420 ± 0.069 A·h of 26.1 A·h passed. Reason: the target was reached. Lift the cathode out and rinse it, unless that is done: zinc dissolves in its own acid as soon as the current stops.", sentence.Look},
		{"done two days ago", func(c *snapshot.Cell) {
			c.Ended, c.EndedWhy, c.Charge.TargetReached, c.Began, c.Elapsed = true, "the target was reached", true, now.Add(-57*time.Hour), 9*time.Hour
			c.Lift, c.AtRest = true, "zinc dissolves in its own acid as soon as the current stops"
		},
			"Zinc 1 is done: 18.420 ± 0.069 A·h of 26.1 A·h passed. Reason: the target was reached. Nothing is wrong.", sentence.Well},
		{"ended early", func(c *snapshot.Cell) { c.Ended, c.EndedWhy = true, "switched off before the target" },
			"Zinc 1 ended before its target: 18.420 ± 0.069 A·h of 26.1 A·h passed. Reason: switched off before the target. Nothing is wrong.", sentence.Well},
		{"ended without a target", func(c *snapshot.Cell) {
			c.Ended, c.EndedWhy, c.Charge.TargetCoulombs = true, "ended by the night shift", math.NaN()
		},
			"Zinc 1 is done: 18.420 ± 0.069 A·h passed. Reason: ended by the night shift. Nothing is wrong.", sentence.Well},
		{"target reached, output on", func(c *snapshot.Cell) { c.Charge.TargetReached, c.Reading.Output = true, drivers.OutputOn },
			"Zinc 1 has reached its target: 18.420 ± 0.069 A·h passed; its output is still on, at 2.63 A. Nothing is wrong.", sentence.Well},
		{"target reached, seen by a meter alone", func(c *snapshot.Cell) {
			c.Charge.TargetReached, c.Reading.Output, c.Reading.ByMeter = true, drivers.OutputUnknown, true
		},
			"Zinc 1 has reached its target: 18.420 ± 0.069 A·h passed; its output is still on, at 2.63 A. Nothing is wrong.", sentence.Well},
		{"output off", func(c *snapshot.Cell) { c.Reading.Output, c.Charge.SecondsToTarget = drivers.OutputOff, math.Inf(1) },
			"Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; its output is off. Nothing is wrong.", sentence.Well},
		{"finish unknown", func(c *snapshot.Cell) { c.Charge.SecondsToTarget, c.Charge.FinishesAt = math.NaN(), time.Time{} },
			"Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; finish unknown. Nothing is wrong.", sentence.Well},
		{"wide uncertainty", func(c *snapshot.Cell) { c.Charge.UncertaintyCoulombs = 9.6 * 3600 },
			"Zinc 1 has passed 18 ± 19 A·h of 26.1 A·h; at this current it finishes at 05:40. Nothing is wrong.", sentence.Well},
		{"an alarm without an action", func(c *snapshot.Cell) {
			a := short
			a.Action = ""
			c.Alarms = []alerts.Alarm{a}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h. Short circuit: no metal is depositing; finish unknown. Hard short: 0.28 V at 2.63 A is under the floor.", sentence.Act},
		{"waiting", func(c *snapshot.Cell) { c.Waiting = true },
			"Zinc 1 has not started: its output is off. Counting starts when current flows. Nothing is wrong.", sentence.Well},
		{"waiting with the output on", func(c *snapshot.Cell) { c.Waiting, c.Reading.Output = true, drivers.OutputOn },
			"Zinc 1 has not started: its output is on, but no current flows. Check clips and leads. Counting starts when current flows. Nothing is monitored until then.", sentence.Look},
		{"waiting with the output on, the supply gone", func(c *snapshot.Cell) {
			c.Waiting, c.Reading.Output, c.Link.Up = true, drivers.OutputOn, false
		},
			"Zinc 1 has not started: its output is on, but no current flows. Check clips and leads. Counting starts when current flows. The supply does not answer.", sentence.Look},
		{"never read", func(c *snapshot.Cell) { c.Waiting, c.Link.Up, c.Reading = true, false, snapshot.Reading{} },
			"Zinc 1 has not started: no reading from its supply yet. The supply does not answer.", sentence.Look},
		{"short", func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short} },
			"Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h. Short circuit: no metal is depositing; finish unknown. Hard short: 0.28 V at 2.63 A is under the floor. First: switch off.", sentence.Act},
		{"a short that is over but kept", func(c *snapshot.Cell) {
			a := short
			a.State = alerts.LTUNK
			c.Alarms = []alerts.Alarm{a}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Hard short has cleared, latched, not acknowledged: 0.28 V at 2.63 A is under the floor.", sentence.Act},
		{"a short that is over, answered and kept", func(c *snapshot.Cell) {
			a := short
			a.State = alerts.LTACK
			c.Alarms = []alerts.Alarm{a}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Hard short has cleared, latched until reset: 0.28 V at 2.63 A is under the floor.", sentence.Act},
		{"a high one acknowledged still calls", func(c *snapshot.Cell) {
			a := short
			a.State = alerts.ACKED
			c.Alarms = []alerts.Alarm{a, {Condition: "charge-behind", State: alerts.UNACK, Priority: alerts.Low, Text: "x"}}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h. Short circuit: no metal is depositing; finish unknown. Hard short: 0.28 V at 2.63 A is under the floor. First: switch off. 2 alarms in all.", sentence.Act},
		{"what holds comes before what is over", func(c *snapshot.Cell) {
			c.Alarms = []alerts.Alarm{{Condition: "supply-silent", State: alerts.RTNUN, Priority: alerts.High, Text: "x", Action: "y"}, short}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h. Short circuit: no metal is depositing; finish unknown. Hard short: 0.28 V at 2.63 A is under the floor. First: switch off. 2 alarms in all.", sentence.Act},
		{"over and unanswered", func(c *snapshot.Cell) {
			c.Alarms = []alerts.Alarm{{Condition: "supply-silent", State: alerts.RTNUN, Priority: alerts.High, Text: "x", Action: "y"}}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Supply silent has cleared; not acknowledged.", sentence.Look},
		{"a low one", func(c *snapshot.Cell) {
			c.Alarms = []alerts.Alarm{{Condition: "charge-behind", State: alerts.UNACK, Priority: alerts.Low, Text: "1.2 A·h behind the plan."}}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Charge behind: 1.2 A·h behind the plan.", sentence.Look},
		{"set aside is said and not counted", func(c *snapshot.Cell) {
			a := short
			a.State = alerts.SHLVD
			c.Alarms = []alerts.Alarm{a}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Nothing is wrong. (1 alarm shelved or out of service.)", sentence.Well},
		{"not judged is not said", func(c *snapshot.Cell) {
			c.Alarms = []alerts.Alarm{{Condition: "contact", State: alerts.DSUPR, Priority: alerts.Medium, Reason: "the corridor is being learned"}}
		}, "Zinc 1 has passed 18.420 ± 0.069 A·h of 26.1 A·h; at this current it finishes at 05:40. Nothing is wrong.", sentence.Well},
		{"silent", func(c *snapshot.Cell) { c.Reading.At, c.Link.Up = now.Add(-4*time.Minute), false },
			"Zinc 1 had passed 18.420 ± 0.069 A·h of 26.1 A·h at 02:08, at its last reading. No reading for 4 min 00 s.", sentence.Look},
		{"silent at the target", func(c *snapshot.Cell) {
			c.Charge.TargetReached, c.Reading.Output, c.Reading.At = true, drivers.OutputOn, now.Add(-4*time.Minute)
		},
			"Zinc 1 has reached its target: 18.420 ± 0.069 A·h passed. No reading for 4 min 00 s.", sentence.Look},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell := zinc()
			c.change(cell)
			got := sentence.Of(cell, now, berlin)
			if got.String() != c.want || got.Standing != c.is {
				t.Errorf("got  %s [%s]\nwant %s [%s]", got, got.Standing, c.want, c.is)
			}
		})
	}
}

// TestMeasured follows JCGM 100, 7.2.6: the uncertainty to two digits, the value to its place.
func TestMeasured(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		want     string
	}{
		{18.4213, 0.069, "18.421 ± 0.069"}, {18.4213, 0.0612, "18.421 ± 0.061"}, {18.4213, 0.0141, "18.421 ± 0.014"},
		{100.02147, 0.00035, "100.02147 ± 0.00035"}, // the example of 7.2.2
		{1234, 130, "1230 ± 130"}, {0, 0.5, "0.00 ± 0.50"}, {-0.004, 0.02, "−0.004 ± 0.020"}, {26.1, 0, "26.1"}, {26.1, math.NaN(), "26.1"}, {math.NaN(), 1, sentence.Unknown},
		{9.99, 0.099, "9.990 ± 0.099"},
	} {
		if got := sentence.Measured(c.value, c.u); got != c.want {
			t.Errorf("Measured(%v, %v) = %q, want %q", c.value, c.u, got, c.want)
		}
	}
}

func TestFigure(t *testing.T) {
	for _, c := range []struct {
		x      float64
		digits int
		want   string
	}{
		{26.1, 3, "26.1"}, {9.996, 3, "10.0"}, {99.95, 3, "100"}, {0.0628, 3, "0.0628"}, {12345, 3, "12300"}, {-2.5, 2, "−2.5"}, {0, 3, "0"}, {math.Inf(1), 3, sentence.Unknown},
		{0.09996, 3, "0.100"},
	} {
		if got := sentence.Figure(c.x, c.digits); got != c.want {
			t.Errorf("Figure(%v, %d) = %q, want %q", c.x, c.digits, got, c.want)
		}
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		1500 * time.Millisecond: "2 s", 61 * time.Second: "1 min 01 s", 40 * time.Minute: "40 min", 7*time.Hour + 3*time.Minute: "7 h 03 min", 50 * time.Hour: "2 d 2 h", -time.Second: "0 s",
	} {
		if got := sentence.Span(d); got != want {
			t.Errorf("Span(%v) = %q, want %q", d, got, want)
		}
	}
}

// FuzzSentence: whatever a snapshot holds, there is a sentence with an answer in it and no NaN.
func FuzzSentence(f *testing.F) {
	f.Add("zinc-1", 1.0, 2.0, 3.0, uint8(alerts.UNACK))
	f.Add("", math.NaN(), math.Inf(-1), 0.0, uint8(200))
	f.Fuzz(func(t *testing.T, name string, a, b, c float64, state uint8) {
		cell := zinc()
		cell.Name = name
		cell.Charge.CountedCoulombs, cell.Charge.UncertaintyCoulombs, cell.Charge.SecondsToTarget = a, b, c
		cell.Alarms = []alerts.Alarm{{Condition: "hard-short", State: alerts.State(state), Text: "t", Action: "a"}}
		s := sentence.Of(cell, now, time.UTC)
		said := strings.TrimPrefix(s.Progress, sentence.Name(name))
		if said == "" || s.Trouble == "" || strings.Contains(said, "NaN") || strings.Contains(said, "Inf") {
			t.Errorf("%q %q", s.Progress, s.Trouble)
		}
	})
}
