package routes

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"
)

// Pulse is one cell's sign of life.
type Pulse struct {
	Cell              string  `json:"cell"`
	ChargeCoulombs    float64 `json:"charge_coulombs"`
	ReadingAgeSeconds float64 `json:"reading_age_seconds"`
}

// HeartbeatSettings describe the outside address that raises the alarm when the
// beats stop. It must not be in the same building, or it falls silent with it.
type HeartbeatSettings struct {
	URL    Secret
	Method string // GET (figures in the query) or POST (figures in a JSON body)
	Every  time.Duration
	CAFile string
	// Alive returns the pulses of the cells, and whether the last good reading of
	// every cell that should be running is fresh. When it is not, no beat is sent.
	Alive func() ([]Pulse, bool)
	Log   *slog.Logger
}

// Heartbeat tells an outside address at intervals that readings are still coming.
// Nothing but good readings feeds it: a frozen poll stops the beats as surely as a dead machine.
type Heartbeat struct {
	HeartbeatSettings
	caller *caller

	mu     sync.Mutex
	health HeartbeatHealth
}

// HeartbeatHealth is what the beats came to since the start.
type HeartbeatHealth struct {
	Sent, Failed, Withheld uint64
	LastError              string // of the last beat; empty when it arrived
}

// NewHeartbeat reads the secret and checks the settings. Nothing is sent.
func NewHeartbeat(s HeartbeatSettings) (*Heartbeat, error) {
	address, err := s.URL.Read()
	if err != nil {
		return nil, fmt.Errorf("heartbeat: %w", err)
	}
	c, err := newCaller(address, s.CAFile, Secret{})
	if err != nil {
		return nil, fmt.Errorf("heartbeat: %w", err)
	}
	return &Heartbeat{HeartbeatSettings: s, caller: c}, nil
}

// Run beats until ctx ends, which ends the beat in progress too.
func (h *Heartbeat) Run(ctx context.Context) {
	ticker := time.NewTicker(h.Every)
	defer ticker.Stop()
	for {
		h.beat(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// beat sends one sign of life if there is one. A beat that fails is not repeated: the next follows soon enough.
func (h *Heartbeat) beat(ctx context.Context) {
	pulses, alive := h.Alive()
	var err error
	if alive {
		ctx, cancel := context.WithTimeout(ctx, min(h.Every, 30*time.Second))
		defer cancel()
		err = h.send(ctx, pulses)
	}
	h.mu.Lock()
	b, before := &h.health, h.health.LastError
	switch {
	case !alive:
		b.Withheld++
	case err == nil:
		b.Sent++
		b.LastError = ""
	default:
		b.Failed++
		b.LastError = err.Error()
	}
	h.mu.Unlock()
	if err != nil && before == "" && !errors.Is(err, context.Canceled) { // said once
		h.Log.Warn("heartbeat does not arrive", "error", err)
	}
}

func (h *Heartbeat) send(ctx context.Context, pulses []Pulse) error {
	var body []byte
	mediaType := ""
	if h.Method == http.MethodPost {
		var err error
		if body, err = json.Marshal(map[string][]Pulse{"cells": pulses}); err != nil {
			return fmt.Errorf("encode the heartbeat: %w", err)
		}
		mediaType = "application/json"
	}
	request, err := h.caller.request(ctx, h.Method, mediaType, body)
	if err != nil {
		return err
	}
	if mediaType == "" {
		query := request.URL.Query()
		for _, s := range pulses {
			query.Add("cell", s.Cell)
			query.Add("charge_coulombs", fmt.Sprintf("%.6g", s.ChargeCoulombs))
			query.Add("reading_age_seconds", fmt.Sprintf("%.3g", s.ReadingAgeSeconds))
		}
		request.URL.RawQuery = query.Encode()
	}
	_, err = h.caller.do(request)
	return err
}

// Health returns what the beats came to.
func (h *Heartbeat) Health() HeartbeatHealth {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.health
}
