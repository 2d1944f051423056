package routes

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"strings"
	"time"
)

// Alertmanager keeps alerts in memory, so its clients send every alert that is active again "usually on the order of 30
// seconds to 3 minutes" (Prometheus documentation, "Sending alerts"), and with each an end that outlasts a few of those:
// Prometheus's own is four intervals ahead. News is not repeated and stands until it is seen.
const (
	renewEvery = time.Minute
	outlasts   = 4 // intervals
	newsStands = 15 * time.Minute
)

// Alertmanager raises and ends alerts by its API version 2. Alarms are named by
// their condition; cell, supply and priority are labels.
type Alertmanager struct {
	settings Settings
	caller   *caller
	every    time.Duration // between two tellings of what stands
}

// alert is one element of the body of POST /api/v2/alerts.
type alert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// NewAlertmanager checks the settings and returns the route. Nothing is sent.
func NewAlertmanager(s Settings) (*Alertmanager, error) {
	c, err := newCaller(NewSecret(strings.TrimRight(s.URL.Reveal(), "/")+"/api/v2/alerts"), s.CAFile, s.Authorization)
	if err != nil {
		return nil, fmt.Errorf("route %s: %w", s.Name, err)
	}
	return &Alertmanager{s, c, renewEvery}, nil
}

// Name implements Route.
func (a *Alertmanager) Name() string { return a.settings.Name }

// RenewEvery implements Keeper.
func (a *Alertmanager) RenewEvery() time.Duration { return a.every }

// Renew implements Keeper. Of several alerts Alertmanager takes the valid ones although it refuses another.
func (a *Alertmanager) Renew(ctx context.Context, standing []Notice) error {
	_, err := a.post(ctx, standing)
	return err
}

// Deliver implements Route. Status 200 is proof of delivery.
func (a *Alertmanager) Deliver(ctx context.Context, n Notice) (Proof, error) {
	return a.post(ctx, []Notice{n})
}

func (a *Alertmanager) post(ctx context.Context, notices []Notice) (Proof, error) {
	alerts := make([]alert, len(notices))
	for i, n := range notices {
		alerts[i] = a.alert(n)
	}
	body, err := json.Marshal(alerts)
	if err != nil {
		return "", &Refused{fmt.Errorf("encode alerts: %w", err)}
	}
	return a.caller.post(ctx, "application/json", body, nil)
}

// alert translates the notice. The labels of an alarm and of its end must be the
// same, for they are the alert's identity; so no label tells the state.
func (a *Alertmanager) alert(n Notice) alert {
	now := time.Now().UTC()
	out := alert{
		Labels: map[string]string{},
		Annotations: withoutEmpty(map[string]string{
			"summary": n.Subject, "description": n.Text, "meaning": n.Meaning, "first": n.First, "acknowledge": n.Acknowledge, "state": n.State, "link": n.Link,
		}),
		StartsAt:     n.At.UTC(),
		GeneratorURL: a.settings.Link,
	}
	maps.Copy(out.Labels, a.settings.Labels)
	maps.Copy(out.Labels, withoutEmpty(map[string]string{
		"alertname": cmp.Or(n.Condition, string(n.Kind)), "cell": n.Cell, "supply": n.Supply, "severity": n.Priority.String(),
	}))
	if n.Drill {
		out.Labels["drill"] = "true"
	}
	if !n.Since.IsZero() {
		out.StartsAt = n.Since.UTC()
	}
	switch n.Kind {
	case Alarm, Acknowledged:
		out.EndsAt = now.Add(outlasts * a.every)
	case Cleared, Quieted:
		out.EndsAt = now
	default:
		out.EndsAt = now.Add(newsStands)
	}
	if out.StartsAt.After(out.EndsAt) { // clocks that disagree must not make it invalid
		out.StartsAt = out.EndsAt
	}
	return out
}

func withoutEmpty(texts map[string]string) map[string]string {
	maps.DeleteFunc(texts, func(_, text string) bool { return text == "" })
	return texts
}
