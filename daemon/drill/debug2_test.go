package drill_test

import (
	"fmt"
	"nightcell/drivers/simulated"
	"os"
	"testing"
	"time"
)

func TestDebugQuiet(t *testing.T) {
	kind := quietly()[os.Getenv("KIND")]
	var seed int64
	fmt.Sscan(os.Getenv("SEED"), &seed)
	more := ""
	if os.Getenv("KIND") == "constant voltage" {
		more = "[supply]\nvolts = 3.7\namperes = 5\nprotect_amperes = 5.5\n"
	}
	s, _ := simulated.ParseScenario("x", []byte("name = \"quiet\"\n[cell]\nspread = 0.1\n"+more))
	w := newWatcher(t, s, 1000+seed, kind)
	for at := time.Duration(0); at < 14*time.Hour; at += w.poll {
		for _, c := range w.look(at) {
			t.Logf("%v %s %s %s->%s", at, c.Condition, c.Text, c.From, c.To)
		}
		if int(at.Seconds())%600 == 0 {
			m := w.board.State()
			e := m.Excursions
			f := m.Features
			t.Logf("%v V=%.3f I=%.3f level %.3f side %d dips %d spikes %d pops %d centre %.4f sigma %.4f rise %.4f slope %.3f tail %.4f jump %.4f recent %.4f noise %.2f long %.2f grain %.4f", at, w.before.Volts, w.before.Amperes, e.Level, e.Side, e.Dips.Count, e.Spikes.Count, e.Pops.Count, m.Corridor.Centre, m.Corridor.Sigma, f.Rise, f.Slope, f.Tail, f.Jump, f.Recent, f.Noise, f.LongNoise, f.Grain)
		}
	}
}
