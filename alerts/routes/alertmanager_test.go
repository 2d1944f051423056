package routes

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"nightcell/alerts"
	"nightcell/daemon/housetest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// standing is an alert as a real Alertmanager lists it.
type standing struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
	Status              struct{ State string }
}

// startAlertmanager runs a real one that tells a receiver of ours, and returns its address.
func startAlertmanager(t *testing.T, receiver string) string {
	t.Helper()
	path := program(t, "prometheus-alertmanager")
	dir := t.TempDir()
	config := fmt.Sprintf(`route: {receiver: bench, group_by: ["..."], group_wait: 10ms, group_interval: 100ms}
receivers: [{name: bench, webhook_configs: [{url: %q, send_resolved: true}]}]
`, receiver)
	file := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	port := housetest.FreePort()
	runReal(t, port, path, "--config.file="+file, "--storage.path="+dir, "--cluster.listen-address=",
		fmt.Sprintf("--web.listen-address=127.0.0.1:%d", port))
	return fmt.Sprintf("http://127.0.0.1:%d", port)
}

func listAlerts(t *testing.T, address string) []standing {
	t.Helper()
	response, err := http.Get(address + "/api/v2/alerts")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	var list []standing
	if err := json.NewDecoder(response.Body).Decode(&list); err != nil {
		t.Fatal(err)
	}
	return list
}

func TestAlertmanagerRaisesAndEndsAnAlert(t *testing.T) {
	receiver, told := listenFor(t, httptest.NewServer, status(200))
	address := startAlertmanager(t, receiver.URL)
	a, err := NewAlertmanager(Settings{Name: "am", URL: NewSecret(address + "/"), Labels: map[string]string{"laboratory": "east"}, Link: "http://127.0.0.1:9648/"})
	if err != nil {
		t.Fatal(err)
	}
	source := &journal{}
	box := open(t, Options{Source: source, Poll: 50 * time.Millisecond}, Way{Route: a, Repeat: 300 * time.Millisecond})
	n := samples()[0]
	n.At, n.Since, n.Repeat = time.Now(), time.Now().Add(-time.Minute), 0
	source.add(n)
	flush(t, box)
	list := listAlerts(t, address)
	if len(list) != 1 {
		t.Fatalf("alerts: %+v", list)
	}
	got := list[0]
	want := map[string]string{"alertname": "over-current", "cell": "zinc-1", "supply": "bench", "severity": "high", "laboratory": "east"}
	if fmt.Sprint(got.Labels) != fmt.Sprint(want) {
		t.Errorf("labels %v, want %v", got.Labels, want)
	}
	if got.Annotations["summary"] != n.Subject || got.Annotations["first"] != n.First || got.StartsAt.Sub(n.Since).Abs() > time.Second || time.Until(got.EndsAt) > 4*time.Minute || time.Until(got.EndsAt) < 3*time.Minute {
		t.Errorf("alert: %+v", got)
	}
	waitFor(t, "a reminder is sent", func() bool { return box.Health()[0].Delivered > 1 })
	if list := listAlerts(t, address); len(list) != 1 {
		t.Errorf("a reminder became another alert: %+v", list)
	}
	if r := <-told; !strings.Contains(string(r.body), `"status":"firing"`) || !strings.Contains(string(r.body), "over-current") {
		t.Errorf("the receiver was told %s", r.body)
	}
	over := n
	over.ID, over.Kind, over.State, over.Priority, over.At = "over", Cleared, "NORM", alerts.Low, time.Now()
	source.add(over)
	flush(t, box)
	waitFor(t, "the alert is over", func() bool { return len(listAlerts(t, address)) == 0 })
	waitFor(t, "the receiver is told so", func() bool {
		select {
		case r := <-told:
			return strings.Contains(string(r.body), `"status":"resolved"`)
		default:
			return false
		}
	})
	for i, end := range []Kind{Quieted, Ended} { // nothing stays standing when it is shelved, or when the run is over
		again := n
		again.ID, again.At = fmt.Sprint("again-", i), time.Now()
		source.add(again)
		flush(t, box)
		waitFor(t, "the alert stands again", func() bool { return len(listAlerts(t, address)) == 1 })
		over.ID, over.Kind, over.At = fmt.Sprint("over-", i), end, time.Now()
		if end == Ended {
			over.Condition = ""
		}
		source.add(over)
		flush(t, box)
		waitFor(t, "it is over", func() bool {
			list := listAlerts(t, address)
			return len(list) == 0 || end == Ended && len(list) == 1 && list[0].Labels["alertname"] == "ended"
		})
	}
	receipts := box.Drill(t.Context(), Notice{ID: "d", Cell: "zinc-1", At: time.Now(), Subject: "drill"})
	if receipts[0].Proof != "HTTP 200" {
		t.Errorf("drill: %+v", receipts)
	}
	list = slices.DeleteFunc(listAlerts(t, address), func(s standing) bool { return s.Labels["drill"] != "true" })
	if len(list) != 1 || list[0].Labels["alertname"] != "drill" || time.Until(list[0].EndsAt) > time.Hour {
		t.Errorf("alerts after the drill: %+v", list)
	}
}

// Whatever the texts are, a real Alertmanager takes the alert, and what it refuses is known as refused.
func TestAlertmanagerTakesAnyText(t *testing.T) {
	receiver, _ := listenFor(t, httptest.NewServer, status(200))
	address := startAlertmanager(t, receiver.URL)
	a, err := NewAlertmanager(Settings{Name: "am", URL: NewSecret(address)})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range append(samples(), nasty()) {
		if n.Cell != "zinc-1" {
			n.At, n.Since = time.Now(), time.Now()
		}
		if _, err := a.Deliver(t.Context(), n.Clean()); err != nil {
			t.Errorf("%s: %v", n.Kind, err)
		}
	}
	future := alarm("f", "clock", alerts.High)
	future.Since = time.Now().Add(1000 * time.Hour)
	if _, err := a.Deliver(t.Context(), future); err != nil {
		t.Errorf("a calendar that was set back: %v", err)
	}
	a.settings.Labels = map[string]string{"": "a label without a name"}
	_, err = a.Deliver(t.Context(), alarm("a", "contact", alerts.High))
	var refused *Refused
	if !errors.As(err, &refused) {
		t.Errorf("an invalid alert: %v", err)
	}
}

func TestAlertmanagerSendsItsCredentials(t *testing.T) {
	server, seen := listenFor(t, httptest.NewServer, status(200))
	a, err := NewAlertmanager(Settings{Name: "am", URL: NewSecret(server.URL + "/prefix"), Authorization: NewSecret("Bearer t")})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil {
		t.Fatal(err)
	}
	if r := <-seen; r.path != "/prefix/api/v2/alerts" || r.header.Get("Authorization") != "Bearer t" {
		t.Errorf("request: %+v", r)
	}
	if _, err := NewAlertmanager(Settings{Name: "am", URL: NewSecret("host:9093")}); err == nil {
		t.Error("an address without a scheme")
	}
}
