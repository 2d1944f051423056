package page

import (
	"fmt"
	"net/http/httptest"
	"testing"
	"time"

	"golang.org/x/time/rate"
)

// TestManyAddressesShareTheTries: whoever has a whole network tries no oftener than a few addresses can.
func TestManyAddressesShareTheTries(t *testing.T) {
	v := newVisitors(rate.Every(time.Hour), 5)
	allowed := 0
	for i := range 5000 {
		r := httptest.NewRequest("POST", "/login", nil)
		r.RemoteAddr = fmt.Sprintf("[2001:db8::%x]:4000", i)
		if v.allow(r) {
			allowed++
		}
	}
	if want := manyAddresses * 5; allowed != want {
		t.Errorf("%d tries from 5000 addresses, want %d", allowed, want)
	}
}
