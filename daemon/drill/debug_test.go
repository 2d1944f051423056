package drill_test

import (
	"fmt"
	"os"
	"testing"
	"time"
)

func TestDebug(t *testing.T) {
	for _, d := range drills() {
		if d.name != os.Getenv("DRILL") {
			continue
		}
		var seed int64
		fmt.Sscan(os.Getenv("SEED"), &seed)
		w := newWatcher(t, d.scenario(t, seed), seed, setting{limits: d.adjust, poll: *poll})
		on := onset(seed)
		for at := time.Duration(0); at < on+d.within; at += w.poll {
			for _, c := range w.look(at) {
				t.Logf("%v %v %s %s %s->%s %s", at, at-on, c.Condition, c.Text, c.From, c.To, "")
			}
			if at > on-time.Minute && (int(at.Seconds())%60 == 0 || os.Getenv("ALL") != "") {
				m := w.board.State()
				e := m.Excursions
				f := m.Features
				t.Logf("%v V=%.3f I=%.3f level %.3f side %d dips %d spikes %d pops %d rise %.4f slope %.3f tail %.4f jump %.4f recent %.4f noise %.2f long %.2f grain %.4f growth %.3f±%.3f before %.3f", at-on, w.before.Volts, w.before.Amperes, e.Level, e.Side, e.Dips.Count, e.Spikes.Count, e.Pops.Count, f.Rise, f.Slope, f.Tail, f.Jump, f.Recent, f.Noise, f.LongNoise, f.Grain, f.Growth, f.GrowthU, f.Before)
			}
		}
	}
}
