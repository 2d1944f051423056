package drivers

import (
	"testing"
	"testing/synctest"
	"time"
)

// A moment is the same time however late it is asked for, so that what came first is stamped first at any speed.
func TestClockAtAMoment(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewClock(720)
		<-time.After(time.Second)
		first := time.Now()
		<-time.After(time.Second)
		if got := c.At(first); got != 720*time.Second {
			t.Errorf("one second in is %v", got)
		}
		if got := c.Now(); got != 1440*time.Second {
			t.Errorf("two seconds in is %v", got)
		}
	})
}
