package ledger

import (
	"errors"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// TestAMetalWithoutAUsualEfficiencyIsWeighed: the configuration states the efficiency, since no table does for this metal in its medium.
func TestAMetalWithoutAUsualEfficiencyIsWeighed(t *testing.T) {
	data := t.TempDir()
	silver := []byte(strings.NewReplacer(`metal = "Zn"`, `metal = "Ag"`, `medium = "sulfate"`, `medium = "methanesulfonate"`).Replace(string(frozen(t, data, "", ""))))
	run := night{begin: monday, hours: 2, frozen: silver}.ran(t, data)
	e := entry(bath.EntryWeighing, map[string]float64{bath.Mass: 0.02})
	e.At = monday.Add(12 * time.Hour)
	w, err := runlog.OpenLate(run)
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.Append(e.At, e.Kind, e.Text, e.LogFields()...)
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	c, err := Continue(data, silver, "zinc-1", monday.Add(24*time.Hour), runlog.Patience)
	if err != nil {
		t.Fatal(err)
	}
	if left := c.Plan.Amount.Value; !(left > 0.0355 && left < 0.0365) {
		t.Errorf("%.4g kg are left; want 0.036", left)
	}
}
