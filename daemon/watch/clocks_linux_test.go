package watch

import (
	"testing"
	"time"
)

// TestKernelAlarm: it comes after the time it was set to last, each time, and not before.
func TestKernelAlarm(t *testing.T) {
	a := kernelAlarm()
	defer a.stop()
	if cap(a.due) != 1 {
		t.Fatal("the runtime's timer stands in for the kernel's")
	}
	for _, d := range []time.Duration{0, time.Millisecond, 20 * time.Millisecond} {
		begun := time.Now()
		a.set(time.Hour)
		a.set(d)
		if at := <-a.due; at.Sub(begun) < d {
			t.Errorf("set to %v, it came after %v", d, at.Sub(begun))
		}
	}
}
