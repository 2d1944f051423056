package fleet

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
)

// alertmanagerConfig sends everything to one address, without the usual waiting.
const alertmanagerConfig = `
route:
  receiver: phone
  group_by: [alertname, cell]
  group_wait: 0s
  group_interval: 1s
receivers:
  - name: phone
    webhook_configs:
      - url: %q
        send_resolved: true
`

// told is what Alertmanager sends to a webhook, as far as it is looked at here.
type told struct {
	Alerts []struct {
		Status      string
		Labels      map[string]string
		Annotations map[string]string
	}
}

// TestAlarmReachesAPersonThroughAlertmanager goes the whole way: the simulated supply
// pushes more current than the configuration allows, nightcell raises over-current,
// Prometheus scrapes it, the shipped rule fires, Alertmanager sends the notice.
func TestAlarmReachesAPersonThroughAlertmanager(t *testing.T) {
	t.Parallel()
	path := program(t, "prometheus-alertmanager")
	program(t, "prometheus")
	arrived := make(chan told, 100)
	phone := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		var n told
		if err := json.Unmarshal(body, &n); err != nil {
			t.Errorf("the notice is no JSON: %v: %s", err, body)
			return
		}
		select {
		case arrived <- n:
		default: // nobody looks any more
		}
	}))
	defer phone.Close()
	dir, address := t.TempDir(), freeAddress()
	config := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(config, fmt.Appendf(nil, alertmanagerConfig, phone.URL), 0o600); err != nil {
		t.Fatal(err)
	}
	launch(t, answers("http://"+address+"/-/ready"), path, "--config.file="+config, "--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+address, "--cluster.listen-address=", "--log.level=warn")
	p := newPrometheus(t, address)
	b := newBench(t, "north", plan{cells: 1, poll: "500 ms", amps: "2.5 A", more: "[cell.north-1.alarm.over-current]\npriority = \"highest\"\n"})
	p.discover(b)

	var got told
	waitFor(t, "a notice of over-current arrives", func() bool {
		select {
		case got = <-arrived:
		default:
			return false
		}
		for _, a := range got.Alerts {
			if a.Labels["alertname"] == "NightcellAlarm" && a.Labels["condition"] == "over-current" {
				if a.Status != "firing" || a.Labels["cell"] != "north-1" || a.Labels["bench"] != "north" || a.Labels["supply"] != "north-1-bench" ||
					a.Labels["priority"] != "highest" || a.Labels["severity"] != "critical" || a.Annotations["summary"] != "north-1: over-current, priority highest" {
					t.Errorf("the notice is %+v", a)
				}
				return true
			}
		}
		return false
	})
}
