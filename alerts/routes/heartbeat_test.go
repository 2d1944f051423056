package routes

import (
	"cmp"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

func heartbeat(t *testing.T, s HeartbeatSettings) *Heartbeat {
	t.Helper()
	s.Method, s.Log = cmp.Or(s.Method, http.MethodPost), slog.New(slog.DiscardHandler)
	h, err := NewHeartbeat(s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		h.Run(ctx)
		close(ended)
	}()
	t.Cleanup(func() {
		stop()
		<-ended // the beat in progress does not hold it up
	})
	return h
}

var pulse = []Pulse{{Cell: "zinc 1", ChargeCoulombs: 64800, ReadingAgeSeconds: 0.5}}

func TestHeartbeatCarriesChargeAndAge(t *testing.T) {
	server, seen := listenFor(t, httptest.NewServer, status(200))
	alive := func() ([]Pulse, bool) { return pulse, true }
	heartbeat(t, HeartbeatSettings{URL: NewSecret(server.URL + "/beat"), Every: time.Hour, Alive: alive})
	r := <-seen
	var body struct{ Cells []Pulse }
	if err := json.Unmarshal(r.body, &body); err != nil || r.method != http.MethodPost || len(body.Cells) != 1 || body.Cells[0] != pulse[0] {
		t.Errorf("%+v, %v", r, err)
	}
	heartbeat(t, HeartbeatSettings{URL: NewSecret(server.URL + "/beat?key=k"), Method: http.MethodGet, Every: time.Hour, Alive: alive})
	r = <-seen
	query, err := url.ParseQuery(r.query)
	if err != nil || r.method != http.MethodGet || query.Get("key") != "k" || query.Get("cell") != "zinc 1" ||
		query.Get("charge_coulombs") != "64800" || query.Get("reading_age_seconds") != "0.5" {
		t.Errorf("%+v, %v", r, err)
	}
}

// A frozen poll stops the beats, as a dead machine would.
func TestHeartbeatIsFedByGoodReadingsOnly(t *testing.T) {
	server, seen := listenFor(t, httptest.NewServer, status(200))
	var fresh atomic.Bool
	h := heartbeat(t, HeartbeatSettings{URL: NewSecret(server.URL), Every: 5 * time.Millisecond, Alive: func() ([]Pulse, bool) { return pulse, fresh.Load() }})
	waitFor(t, "beats are withheld", func() bool { return h.Health().Withheld > 5 })
	if len(seen) != 0 || h.Health().Sent != 0 {
		t.Error("a beat without a fresh reading")
	}
	fresh.Store(true)
	<-seen
	waitFor(t, "beats are sent", func() bool { return h.Health().Sent > 0 })
}

func TestHeartbeatThatFailsSaysSoAndGoesOn(t *testing.T) {
	var well atomic.Bool
	server, _ := listenFor(t, httptest.NewServer, func(w http.ResponseWriter, _ *http.Request) {
		if !well.Load() {
			w.WriteHeader(http.StatusBadGateway)
		}
	})
	h := heartbeat(t, HeartbeatSettings{URL: NewSecret(server.URL + "/t0ken"), Every: 5 * time.Millisecond, Alive: func() ([]Pulse, bool) { return pulse, true }})
	waitFor(t, "beats fail", func() bool { return h.Health().Failed > 1 })
	if e := h.Health().LastError; !strings.Contains(e, "502") || strings.Contains(e, "t0ken") {
		t.Errorf("error %q", e)
	}
	well.Store(true)
	waitFor(t, "beats arrive again", func() bool { return h.Health().Sent > 0 && h.Health().LastError == "" })
}

func TestHeartbeatStopsInTheMiddleOfABeat(t *testing.T) {
	entered := make(chan struct{}, 10)
	server, _ := listenFor(t, httptest.NewServer, func(_ http.ResponseWriter, r *http.Request) {
		entered <- struct{}{}
		<-r.Context().Done()
	})
	began := time.Now()
	t.Run("beating", func(t *testing.T) { // and stopped at its end
		heartbeat(t, HeartbeatSettings{URL: NewSecret(server.URL), Every: time.Hour, Alive: func() ([]Pulse, bool) { return pulse, true }})
		<-entered
	})
	if took := time.Since(began); took > time.Minute {
		t.Errorf("stopping took %v", took)
	}
	if _, err := NewHeartbeat(HeartbeatSettings{URL: NewSecret("x")}); err == nil {
		t.Error("an address without a scheme is accepted")
	}
}
