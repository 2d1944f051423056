package routes

import (
	"nightcell/alerts"
	"strings"
	"testing"
	"time"
)

func TestLetterSaysWhatAPersonNeeds(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	templates := LoadTemplates(zone)
	n := samples()[0]
	n.Repeat = 0
	letter := templates.Compose(n)
	if want := "zinc-1: 4.1 A where 3.3 A is the limit"; letter.Subject != want {
		t.Errorf("subject %q, want %q", letter.Subject, want)
	}
	for _, want := range []string{
		"4.1 A where 3.3 A is the limit", "2026-01-02 04:03:05 CET", "high", "over-current", "UNACK", "meaning", "first",
		"nightcell alarms ack zinc-1 over-current", "was delayed by 1 h", "4.1 A", "not a safety device",
	} {
		if !strings.Contains(letter.Text, want) {
			t.Errorf("%q is missing in the text:\n%s", want, letter.Text)
		}
		if !strings.Contains(letter.HTML, want) {
			t.Errorf("%q is missing in the HTML:\n%s", want, letter.HTML)
		}
	}
	if !strings.Contains(letter.HTML, `src="cid:`+pictureID+`" width="360" style="width:100%`) { // a telephone is narrow
		t.Error("the HTML does not show the picture")
	}
}

// TestLetterShowsFiguresAsTheTradeDoes: nobody reads coulombs at night.
func TestLetterShowsFiguresAsTheTradeDoes(t *testing.T) {
	n := alarm("a", "whisker", alerts.Medium)
	n.Values = map[string]float64{"charge_coulombs": 129528, "energy_joules": 487116, "reading_volts": 3.29, "reading_amperes": 3, "level_millimetres": 4, "count": 2,
		"deposit_kilograms": 0.0235, "found_amperes_per_square_metre": 510, "limit_joules_per_kilogram": 1.8e7, "found_cubic_metres_per_second": 1e-4, "found_ratio": 0.9}
	text := builtIn().Compose(n).Text
	for _, want := range []string{"35.98 A·h\n", "135.31 W·h\n", " 3.29 V\n", " 3 A\n", " 4 millimetres\n", "Count:              2\n",
		" 23.5 g\n", " 5.1 A/dm²\n", " 5 W·h/g\n", " 0.36 m³/h\n", " 90 %\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in:\n%s", want, text)
		}
	}
}

// TestLetterPutsFiguresInOrder: what the supply shows before what was counted, each under a name of its own.
func TestLetterPutsFiguresInOrder(t *testing.T) {
	n := alarm("a", "whisker", alerts.Medium)
	n.Values = map[string]float64{"charge_coulombs": 129528, "charge_standard_uncertainty_coulombs": 180, "target_charge_coulombs": 144000,
		"energy_joules": 487116, "reading_volts": 3.29, "reading_amperes": 3, "level_millimetres": 4,
		"limit_amperes": 2.9, "found_amperes": 3.1, "reading_age_seconds": 12, "deposit_kilograms": 0.0386}
	letter := builtIn().Compose(n)
	for _, body := range []string{letter.Text, letter.HTML} {
		at := -1
		for _, want := range []string{"Found:", "3.1 A", "Limit:", "2.9 A", "Cell voltage:", "3.29 V", "Current:", "3 A", "Age of the reading:", "12 s", "Charge:", "35.98 A·h", "Charge uncertainty:", "0.05 A·h",
			"Target:", "40 A·h", "Deposit:", "38.6 g", "Energy:", "135.31 W·h", "Level:", "4 millimetres"} {
			i := strings.Index(body[at+1:], want)
			if i < 0 {
				t.Fatalf("%q is missing or out of order in:\n%s", want, body)
			}
			at += 1 + i
		}
	}
}

// TestLetterSuitsATelephone: without a viewport it would be shown as wide as a desk's screen and far too small.
func TestLetterSuitsATelephone(t *testing.T) {
	page := builtIn().Compose(samples()[0]).HTML
	for _, want := range []string{
		`<meta name="viewport" content="width=device-width, initial-scale=1">`, `<meta name="color-scheme" content="light dark">`, `style="width:100%;max-width:480px;height:auto"`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("%s is missing in\n%s", want, page)
		}
	}
}

// TestLetterSubjectBeginsWithTheCell: a lock screen cuts its end, so the number of a reminder comes last.
func TestLetterSubjectBeginsWithTheCell(t *testing.T) {
	n := alarm("a", "hard-short", alerts.Highest)
	n.Subject, n.Repeat = "zinc-1: hard-short, 0.3 V at 3 A: switch off or down to the hold current", 2
	if got := builtIn().Compose(n).Subject; got != n.Subject+" (reminder 2)" {
		t.Errorf("subject %q", got)
	}
}

// TestWhatIsOverAsksForNothing that made sense only while it held, neither in a letter nor in an event.
func TestWhatIsOverAsksForNothing(t *testing.T) {
	n := samples()[0]
	n.Meaning, n.First = "current flows through metal", "switch off"
	for _, tt := range []struct {
		kind       Kind
		state      string
		first, ack bool
	}{
		{Alarm, "UNACK", true, true},
		{Cleared, "RTNUN", false, true},
		{Cleared, "LTUNK", false, true},
		{Cleared, "NORM", false, false},
		{Cleared, "LTACK", false, false},
		{Acknowledged, "ACKED", true, false},
		{Quieted, "SHLVD", true, false},
	} {
		n.Kind, n.State = tt.kind, tt.state
		letter := builtIn().Compose(n)
		for _, body := range []string{letter.Text, letter.HTML} {
			if strings.Contains(body, n.First) != tt.first || strings.Contains(body, n.Meaning) != tt.first || strings.Contains(body, n.Acknowledge) != tt.ack {
				t.Errorf("%s in %s reads:\n%s", tt.kind, tt.state, body)
			}
		}
		event, err := encode(n.Clean())
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"meaning", "first"} {
			if strings.Contains(string(event), `"`+key+`":`) != tt.first {
				t.Errorf("%s in %s: %q in the event:\n%s", tt.kind, tt.state, key, event)
			}
		}
		if tt.kind == Cleared && strings.Contains(string(event), n.Acknowledge) != tt.ack {
			t.Errorf("%s in %s: how to acknowledge, in the event:\n%s", tt.kind, tt.state, event)
		}
	}
}

func TestLetterOfEachKindIsTold(t *testing.T) {
	for _, n := range samples() {
		letter := builtIn().Compose(n)
		if letter.Subject == "" || letter.Text == "" || letter.HTML == "" || strings.Contains(letter.Text+letter.HTML, "<no value>") || strings.Contains(letter.Text, "template:") {
			t.Errorf("%s: %+v", n.Kind, letter)
		}
		if drill := strings.HasPrefix(letter.Subject, "DRILL: "); drill != n.Drill {
			t.Errorf("%s: subject %q", n.Kind, letter.Subject)
		}
	}
	n := alarm("a", "", alerts.Medium)
	for subject, want := range map[string]string{"output off": "zinc-1: output off", "zinc-1: output off": "zinc-1: output off"} {
		n.Subject = subject
		if got := builtIn().Compose(n).Subject; got != want {
			t.Errorf("subject %q, want %q", got, want)
		}
	}
	n.Kind, n.Drill, n.Subject = Drill, true, "DRILL: test"
	if got := builtIn().Compose(n).Subject; got != "DRILL: zinc-1: test" {
		t.Errorf("subject %q", got)
	}
}

func TestMaliciousNamesStayText(t *testing.T) {
	letter := builtIn().Compose(nasty())
	if strings.ContainsAny(letter.Subject, "\r\n") {
		t.Errorf("subject of several lines: %q", letter.Subject)
	}
	if strings.Contains(letter.HTML, "<script>") || !strings.Contains(letter.HTML, "&lt;script&gt;") {
		t.Error("a script got into the HTML")
	}
	if !strings.Contains(letter.Text, "{{.ID}}") { // shown, not executed
		t.Error("a template in a name was executed")
	}
}
