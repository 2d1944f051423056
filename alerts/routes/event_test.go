package routes

import (
	"encoding/json"
	"math"
	"net/url"
	"nightcell/alerts"
	"regexp"
	"strings"
	"testing"
	"time"
)

// checkEvent holds a JSON text against the rules of CloudEvents 1.0.2: specification
// sections 2 and 3 for the attributes, JSON event format sections 2.2 and 3 for their JSON types.
func checkEvent(t *testing.T, body []byte) map[string]any {
	t.Helper()
	var e map[string]any
	if err := json.Unmarshal(body, &e); err != nil {
		t.Fatalf("not JSON: %v", err)
	}
	name := regexp.MustCompile(`^[a-z0-9]+$`) // naming conventions: lower-case letters and digits only
	for k := range e {
		if !name.MatchString(k) || len(k) > 20 {
			t.Errorf("attribute name %q", k)
		}
	}
	for _, required := range []string{"id", "source", "specversion", "type"} {
		if s, ok := e[required].(string); !ok || s == "" {
			t.Errorf("required attribute %s is %v", required, e[required])
		}
	}
	for _, optional := range []string{"subject", "datacontenttype", "time"} {
		if v, there := e[optional]; there {
			if s, ok := v.(string); !ok || s == "" {
				t.Errorf("attribute %s is %v, and must be a string that is not empty", optional, v)
			}
		}
	}
	if e["specversion"] != "1.0" {
		t.Errorf("specversion %v", e["specversion"])
	}
	if _, err := url.Parse(e["source"].(string)); err != nil {
		t.Errorf("source is no URI reference: %v", err)
	}
	if _, err := time.Parse(time.RFC3339, e["time"].(string)); err != nil {
		t.Errorf("time: %v", err)
	}
	if e["datacontenttype"] == "application/json" {
		if _, isObject := e["data"].(map[string]any); !isObject {
			t.Errorf("data is %T, and not a JSON value of its own", e["data"])
		}
	}
	if _, both := e["data_base64"]; both {
		t.Error("data and data_base64 exclude each other")
	}
	// Strings must not hold control characters (specification 2.4: U+0000 to U+001F, U+007F to U+009F).
	for k, v := range e {
		if s, ok := v.(string); ok && strings.IndexFunc(s, func(r rune) bool { return r < 0x20 || r >= 0x7f && r <= 0x9f }) >= 0 {
			t.Errorf("attribute %s holds a control character: %q", k, s)
		}
	}
	return e
}

func TestNoticeIsACloudEvent(t *testing.T) {
	for _, n := range append(samples(), nasty()) {
		body, err := encode(n.Clean())
		if err != nil {
			t.Fatal(err)
		}
		e := checkEvent(t, body)
		if data := e["data"].(map[string]any); data["priority"] != n.Priority.String() || data["kind"] != string(n.Clean().Kind) {
			t.Errorf("data: %v", data)
		}
	}
}

func TestEventKeyIsTheSameForTheSameNoticeOnly(t *testing.T) {
	key := func(n Notice) string {
		body, err := encode(n)
		if err != nil {
			t.Fatal(err)
		}
		e := checkEvent(t, body)
		return e["source"].(string) + " " + e["id"].(string)
	}
	a := alarm("a", "contact", alerts.High)
	again := a
	again.Delayed = time.Hour
	b, other := alarm("b", "contact", alerts.High), a
	other.Cell = "zinc-2"
	if key(a) != key(again) {
		t.Error("the same notice, sent again, has another key")
	}
	if _, err := encode(Notice{Cell: "zinc-1"}); err == nil {
		t.Error("a notice without an ID became an event")
	}
	if key(a) == key(b) || key(a) == key(other) {
		t.Error("different notices share a key")
	}
}

// nasty is a notice whose every text was written by an attacker.
func nasty() Notice {
	evil := "x\r\nBcc: everybody@example.com\r\n\r\n<script>alert(1)</script>{{.ID}}$(reboot)`id`;'\"\\\x00\x1b[2J\u202e\u2028\xff%s" + strings.Repeat("A", 5000)
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	return Notice{
		ID: evil, Cell: evil, Supply: evil, Kind: Alarm, Condition: evil, State: evil, Subject: evil, Text: evil,
		Meaning: evil, First: evil, Acknowledge: evil, At: at, Since: at, Priority: alerts.Highest,
		Values: map[string]float64{evil: 1, "nan": math.NaN(), "infinite": math.Inf(-1), "good_volts": 3.2},
	}
}

func TestCleanLeavesNothingDangerous(t *testing.T) {
	n := nasty().Clean()
	for name, s := range map[string]string{"ID": n.ID, "cell": n.Cell, "subject": n.Subject, "state": n.State, "condition": n.Condition} {
		if strings.ContainsAny(s, "\r\n\x00\x1b\u202e\u2028") || len([]rune(s)) > longestLine+1 {
			t.Errorf("%s: %q", name, s)
		}
	}
	if strings.ContainsAny(n.Text, "\r\x00\x1b\u202e") || len([]rune(n.Text)) > longestText+1 {
		t.Errorf("text: %q", n.Text)
	}
	if len(n.Values) != 2 || n.Values["good_volts"] != 3.2 {
		t.Errorf("values: %v", n.Values)
	}
	for _, m := range samples() {
		if c := m.Clean(); c.Subject != m.Subject || c.Text != m.Text || len(c.Values) != len(m.Values) {
			t.Errorf("an honest notice was changed: %+v", c)
		}
	}
}

func FuzzClean(f *testing.F) {
	f.Add(nasty().Subject)
	f.Fuzz(func(t *testing.T, s string) {
		once := oneLine(s)
		if oneLine(once) != once && len([]rune(once)) <= longestLine {
			t.Errorf("cleaning %q twice gives %q", once, oneLine(once))
		}
		if strings.ContainsFunc(once, func(r rune) bool { return r < 0x20 || r == 0x7f }) {
			t.Errorf("%q holds a control character", once)
		}
	})
}
