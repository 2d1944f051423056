package watch

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/housetest"
	"nightcell/daemon/notices"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

var (
	allMessages    = flag.Bool("messages", false, "count the messages of a night with every scenario; without it of a few")
	updateMessages = flag.Bool("update-messages", false, "write testdata/messages.txt anew, with -messages; read what changed")
)

// named is a letter box with the name of a route.
type named struct {
	watchtest.LetterBox
	name string
}

func (n *named) Name() string { return n.name }

// ways are the routes of the nights: a telephone that everything goes to, one that is left alone from ten to seven and then told
// how the night was, and one that is called when nobody has answered.
func ways() (boxes []*named, all []routes.Way) {
	boxes = []*named{{name: "phone"}, {name: "quiet"}, {name: "later"}}
	quiet := routes.Quiet{From: 22 * time.Hour, To: 7 * time.Hour}
	all = []routes.Way{
		{Route: boxes[0], Repeat: 15 * time.Minute},
		{Route: boxes[1], Repeat: 15 * time.Minute, Quiet: quiet, Summary: routes.Daily{At: quiet.To, Location: time.UTC}},
		{Route: boxes[2], Repeat: 15 * time.Minute, After: 20 * time.Minute},
	}
	return boxes, all
}

// wholeNight is from eight in the evening until nine in the morning.
const wholeNight = 13 * time.Hour

// playNight plays a scenario from eight in the evening, stops the watch when that has lasted so long, and tells what came over each
// route. Nobody answers anything, which is the most that can come.
func playNight(t *testing.T, lasts time.Duration, scenario, cellLines, rest string, during func(*Cell)) (boxes []*named) {
	synctest.Test(t, func(t *testing.T) {
		<-time.After(20 * time.Hour) // a bubble begins at midnight
		b := watchtest.New(t, drivers.NewClock(1), scenario)
		dir := t.TempDir()
		c := zincCell(t, b, dir, cellLines, `charge = "24 A h"`, rest)
		var all []routes.Way
		boxes, all = ways()
		box, err := routes.NewOutbox(routes.Options{
			Source: notices.NewSource(dir, "zinc-1"), Clock: b.Clock, Store: routes.Directory{Path: t.TempDir(), Write: writeSmall}, Poll: time.Minute,
			Safe: func(string) bool { // as the daemon judges it
				s := c.Latest()
				return s != nil && s.Link.Up && (s.Safe || s.Ended && s.OffVerified)
			},
			Summary: func([]string, time.Time) (routes.Notice, bool) { return routes.Notice{Subject: "summary"}, true },
		}, all...)
		if err != nil {
			t.Fatal(err)
		}
		c.settings.Wake, c.settings.Tell = box.Wake, box.Tell
		box.Start()
		stop := watchtest.Start(t, c)
		if during != nil {
			during(c)
		}
		<-time.After(20*time.Hour + lasts - time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)))
		if err := stop(); err != nil {
			t.Log("the watch ends with:", err) // a scenario may leave an output that cannot be switched off
		}
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := box.Flush(ctx); err != nil {
			t.Error(err)
		}
		if err := box.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	return boxes
}

// hands are the two ways to end a night: nightcell switches off at the target and on a short, or lowers the current.
var nightHands = []struct{ name, lines, rest string }{
	{"off", "may = [\"off\"]\nat_target = \"off\"", "[cell.zinc-1.alarm.hard-short]\nthen = \"off\"\n"},
	{"hold", "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\"", "[cell.zinc-1.alarm.hard-short]\nthen = \"hold\"\n"},
}

// TestMessagesOfANight counts what a night sends with each shipped scenario, and how much of it is reminders, against the table in
// testdata/messages.txt. A quiet night with its target is three messages on the telephone, the word that the watch stops beside.
func TestMessagesOfANight(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/scenarios/*.toml")
	if err != nil || len(files) < 40 {
		t.Fatal(len(files), err)
	}
	const table = "../../testdata/messages.txt"
	pinned, err := os.ReadFile(table)
	if err != nil && !*updateMessages {
		t.Fatal(err)
	}
	written := "# Messages of one night, 20:00 to 09:00, with each scenario in testdata/scenarios, when nobody answers; in brackets: reminders.\n" +
		"# phone: everything; quiet: 22:00-07:00 only urgent ones, and a summary at seven; later: what is unanswered after 20 min.\n"
	for i, hands := range nightHands {
		if housetest.Raced && i > 0 {
			break // to the race detector one night is like the other
		}
		for _, f := range files {
			name := strings.TrimSuffix(filepath.Base(f), ".toml")
			if !*allMessages && name != "hard-short" && (housetest.Raced || name != "quiet-night") {
				continue
			}
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			row := fmt.Sprintf("%-5s %-24s", hands.name, name)
			for _, r := range playNight(t, wholeNight, string(text), hands.lines, hands.rest, nil) {
				repeats := 0
				for _, n := range r.Got() {
					if n.Repeat > 0 {
						repeats++
					}
					if testing.Verbose() && r.name == "phone" && !*allMessages {
						t.Logf("%s %-9s %-8s %s", n.At.Format("15:04:05"), n.Kind, n.Priority, n.Subject)
					}
				}
				row += fmt.Sprintf("  %s %2d (%2d)", r.name, len(r.Got()), repeats)
			}
			written += row + "\n"
			t.Log(row)
			if !*updateMessages && !strings.Contains(string(pinned), row+"\n") {
				t.Errorf("the table in %s says otherwise of:\n%s", table, row)
			}
		}
	}
	if *updateMessages && *allMessages {
		if err := os.WriteFile(table, []byte(written), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestOneAnswerIsForAllRoutes: what one person acknowledges is reminded of on no route, and nobody else is called.
func TestOneAnswerIsForAllRoutes(t *testing.T) {
	t.Parallel()
	boxes := playNight(t, 2*time.Hour, watchtest.Live+"[[event]]\nat = \"1 h\"\nkind = \"hard-short\"\nohms = 0.03\n", "", "", func(c *Cell) {
		<-time.After(70 * time.Minute)
		a, ok := watchtest.Standing(c.Latest(), alerts.HardShort)
		if !ok {
			t.Error("there is no short")
		}
		if err := c.ChangeAlarm(context.Background(), control.AlarmOrder{Act: control.Acknowledge, Cell: "zinc-1", Condition: a.Condition, By: "link of route quiet"}); err != nil {
			t.Error(err)
		}
	})
	for _, b := range boxes {
		want := "alarm"
		if b.name == "later" {
			want = ""
		}
		if got := b.Of(alerts.HardShort); got != want {
			t.Errorf("%s was told %q of the short, want %q", b.name, got, want)
		}
	}
}

// TestATripIsToldAsSuch: an output that goes off is a reason to ask the supply at once why, so that one alarm comes, of the cause.
func TestATripIsToldAsSuch(t *testing.T) {
	phone := playNight(t, 4*time.Hour, watchtest.Live+"[[event]]\nat = \"3 h\"\nkind = \"trip\"\nprotection = \"over-voltage\"\n", "", "", nil)[0]
	if got := phone.Of(alerts.ProtectionTripped); !strings.HasPrefix(got, "alarm") {
		t.Errorf("the trip was told as %q", got)
	}
	if got := phone.Of(alerts.OutputOff); got != "" {
		t.Errorf("the output that the trip switched off was told too: %q", got)
	}
}

// TestTheLastWord: whoever stops the watch over a live output is heard of, with what becomes of it.
func TestTheLastWord(t *testing.T) {
	t.Parallel()
	for on, want := range map[string]string{
		"leave": "zinc-1: nightcell stopped, the supply continues to deliver 3 A",
		"hold":  "zinc-1: nightcell stopped, its current held at 0.2 A",
		"off":   "zinc-1: nightcell stopped, its output off, verified",
	} {
		lines := fmt.Sprintf("on_stop = %q", on)
		if on != "leave" {
			lines += fmt.Sprintf("\nmay = [%q]\nhold_current = \"0.2 A\"", on)
		}
		got := playNight(t, time.Hour, watchtest.Live, lines, "", nil)[0].Got()
		if last := got[len(got)-1]; last.Subject != want || last.Kind != routes.Milestone || (last.Priority < alerts.High) != (on == "off") {
			t.Errorf("%s: the last word is %q, %s; want %q", on, last.Subject, last.Priority, want)
		}
	}
	got := playNight(t, wholeNight, night, nightHands[0].lines, "", nil)[0].Got()
	if last := got[len(got)-1]; last.Kind != routes.Ended {
		t.Errorf("after a run that ended the stop says %q", last.Subject)
	}
}

// TestTheLastWordWithoutARun: what is live though no run could begin is said too.
func TestTheLastWordWithoutARun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, _, phone := toldBy(t, watchtest.New(t, drivers.NewClock(1), night))
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		runs := filepath.Join(c.settings.DataDir, "runs")
		if err := errors.Join(os.RemoveAll(runs), os.WriteFile(runs, nil, 0o600)); err != nil {
			t.Error(err)
		}
		<-time.After(30 * time.Minute)
		_ = stop() // complains of the folder
		if !c.Live() || !c.Barred() {
			t.Errorf("live %v, barred %v", c.Live(), c.Barred())
		}
		<-time.After(6 * time.Minute) // the longest back-off of a route that cannot read the logs
		got := phone.Got()
		if last := got[len(got)-1]; last.Subject != "zinc-1: nightcell stopped, the supply continues to deliver 3 A" || last.Kind != routes.Milestone || last.Priority != alerts.High {
			t.Errorf("the last word is %q, %s", last.Subject, last.Priority)
		}
	})
}

// TestSafeWhileOff: an output that nobody ordered off is not safe for a deposit that the bath attacks, so that its reminders do not thin out; by
// order it is, and so it is for a metal that stays.
func TestSafeWhileOff(t *testing.T) {
	for name, c := range map[string]struct {
		attacks, ordered, safe bool
	}{"nobody's order": {true, false, false}, "ordered": {true, true, true}, "it stays": {false, false, true}} {
		synctest.Test(t, func(t *testing.T) {
			b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"panel\"\noutput = \"off\"\n")
			cell := zincCell(t, b, t.TempDir(), `may = ["off"]`, `charge = "24 A h"`, "")
			if cell.settings.Chemistry.RedissolvesOff != true {
				t.Fatal("zinc stays in its bath")
			}
			cell.settings.Chemistry.RedissolvesOff = c.attacks
			stop := watchtest.Start(t, cell)
			<-time.After(20 * time.Minute)
			if cell.Latest().Safe {
				t.Errorf("%s: safe at the working current", name)
			}
			if c.ordered {
				if err := cell.SwitchOff(t.Context(), "test"); err != nil {
					t.Error(err)
				}
			}
			<-time.After(20 * time.Minute)
			if got := cell.Latest(); got.Safe != c.safe && !got.Ended {
				t.Errorf("%s: safe %v", name, got.Safe)
			}
			_ = stop()
		})
	}
}
