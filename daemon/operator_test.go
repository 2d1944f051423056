package daemon

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestTheAlarmListBeginsWithWhatStands: what is set aside or not judged now is at its end, whatever its priority.
func TestTheAlarmListBeginsWithWhatStands(t *testing.T) {
	list := []control.Alarm{
		{Alarm: alerts.Alarm{Condition: "f", State: alerts.DSUPR, Priority: alerts.Highest}},
		{Alarm: alerts.Alarm{Condition: "d", State: alerts.UNACK, Priority: alerts.Low}},
		{Alarm: alerts.Alarm{Condition: "c", State: alerts.ACKED, Priority: alerts.High}},
		{Alarm: alerts.Alarm{Condition: "g", State: alerts.SHLVD, Priority: alerts.High}},
		{Alarm: alerts.Alarm{Condition: "b", State: alerts.LTUNK, Priority: alerts.High}},
		{Alarm: alerts.Alarm{Condition: "a", State: alerts.UNACK, Priority: alerts.Highest}},
		{Alarm: alerts.Alarm{Condition: "e", State: alerts.LTACK, Priority: alerts.Low}},
	}
	slices.SortStableFunc(list, func(a, b control.Alarm) int { return sentence.Before(a.Alarm, b.Alarm) })
	order := ""
	for _, a := range list {
		order += a.Condition
	}
	if order != "acdbefg" {
		t.Errorf("order %s", order)
	}
}

// TestStatusCountsAlarmsThatCount: a short that is over is latched and waits for an
// answer; what cannot be judged while the output is off is no alarm.
func TestStatusCountsAlarmsThatCount(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"10 min\"\nkind = \"hard-short\"\nohms = 0.03\nlasts = \"5 min\"\n")
		d := daemonOf(t, b, t.TempDir(), "", "")
		stop := watchtest.Start(t, d.posts()[0].Cell)
		<-time.After(30 * time.Minute)
		status, err := d.Operator().Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		alarms, err := d.Operator().Alarms(t.Context(), "zinc-1")
		if err != nil {
			t.Fatal(err)
		}
		states := map[string]string{}
		for _, a := range alarms {
			states[a.Condition] = a.State.String()
		}
		if states[alerts.HardShort.String()] != "LTUNK" || states[alerts.Contact.String()] != "DSUPR" {
			t.Fatalf("the alarms are %v", states)
		}
		count, unanswered := 0, 0
		for _, state := range states {
			if state != "DSUPR" {
				count++
			}
			if state == "UNACK" || state == "RTNUN" || state == "LTUNK" {
				unanswered++
			}
		}
		if c := status[0]; c.Alarms != count || c.Unanswered != unanswered || unanswered == 0 {
			t.Errorf("%d alarms, %d unanswered; the list has %d and %d: %v", c.Alarms, c.Unanswered, count, unanswered, states)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestStatusOfACellNeverReadTellsNoFigures: 0 V and 0 A would say that the output is off.
func TestStatusOfACellNeverReadTellsNoFigures(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Change(func() { b.Gone = true })
		d := daemonOf(t, b, t.TempDir(), "", "")
		if status, err := d.Operator().Status(t.Context()); err != nil || status == nil {
			t.Errorf("before any cell has come round: %v, %v; nil would be null in JSON", status, err)
		}
		stop := watchtest.Start(t, d.posts()[0].Cell)
		look := func(read bool) {
			t.Helper()
			<-time.After(time.Minute)
			status, err := d.Operator().Status(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			text, err := json.Marshal(status[0])
			if err != nil {
				t.Fatal(err)
			}
			for _, key := range []string{"volts", "amperes", "reading_age_seconds"} {
				if null := strings.Contains(string(text), `"`+key+`":null`); null == read {
					t.Errorf("%s of a cell whose supply answered (%t): %s", key, read, text)
				}
			}
		}
		look(false)
		b.Change(func() { b.Gone = false })
		look(true)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
