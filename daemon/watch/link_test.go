package watch

import (
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/configs"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
)

// A supply whose first questions take longer than usual is still attached to, where its dialect allows so
// slow answers; and a command to it gets time in the same measure.
func TestSlowSupplyIsAttachedTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Slow = 4 * time.Second
		l := &link{open: opens(b)}
		if err := l.attach(t.Context(), 0); err == nil || !strings.Contains(err.Error(), "the first queries took longer than 5s; ") {
			t.Errorf("without patience: %v", err)
		}
		l = &link{open: opens(b), patience: 20 * time.Second}
		if err := l.attach(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		if got := l.handsTime(); got < 24*time.Second {
			t.Errorf("a command with its read-back gets %v, after a greeting that took 8 s", got)
		}
		if err := l.close(); err != nil {
			t.Error(err)
		}
	})
}

func TestPatienceFollowsTheDialect(t *testing.T) {
	c, err := configs.Parse("x.toml", []byte("data = \"d\"\n[supply.bench]\nport = \"p\"\n[supply.bench.dialect]\nopen_pause = \"30 s\"\ntimeout = \"2 s\"\n[cell.zinc-1]\nsupply = \"bench\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Supply("bench").FirstContact(); got < 70*time.Second || got > 75*time.Second {
		t.Errorf("%v, want the pause after opening and 20 answers of 2 s, and their characters at 9600 baud", got)
	}
}

// TestTheUnitLeavesTimeToStop: systemd kills what has not ended by then, with the output on.
func TestTheUnitLeavesTimeToStop(t *testing.T) {
	unit, err := os.ReadFile("../../configs/nightcell.service")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(unit), "TimeoutStopSec=")
	text, _, _ = strings.Cut(text, "\n")
	given, err := time.ParseDuration(text + "s")
	if err != nil {
		t.Fatal(err)
	}
	if longest := handsAttempts * (handsTimeout + (&configs.Supply{Dialect: scpi.Standard()}).FirstContact()); given < longest+10*time.Second {
		t.Errorf("the unit gives %v to stop; verifying the output off may take %v", given, longest)
	}
}
