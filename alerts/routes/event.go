package routes

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"
)

// eventMediaType is the media type of a CloudEvent in structured JSON (CloudEvents JSON event format 1.0.2, section 3).
const eventMediaType = "application/cloudevents+json; charset=utf-8"

// defaultSource and defaultEventType are the attributes of events that name nothing else.
const (
	defaultSource    = "/nightcell"
	defaultEventType = "nightcell.notice"
)

// event is a CloudEvents 1.0 envelope: context attributes of the specification's
// section 3.1, whose names are lower-case letters only. Source and id together are the idempotency key.
type event struct {
	SpecVersion     string    `json:"specversion"`
	ID              string    `json:"id"`
	Source          string    `json:"source"`
	Type            string    `json:"type"`
	Subject         string    `json:"subject,omitempty"`
	Time            time.Time `json:"time"`
	DataContentType string    `json:"datacontenttype"`
	Data            eventData `json:"data"`
}

type eventData struct {
	Notice
	DelayedSeconds float64 `json:"delayed_seconds,omitempty"`
}

// EventSettings are the attributes of the envelope that the user may choose.
type EventSettings struct {
	// Source is a URI reference that names this nightcell, such as
	// "https://lab.example/nightcell"; the cell is appended as a path. Empty: defaultSource.
	Source string
	// Type is the prefix of the event type; the kind of notice is appended after a dot.
	// The specification advises a reversed domain name. Empty: defaultEventType.
	Type string
}

// validate reports the first attribute that would make an invalid event.
func (s EventSettings) validate() error {
	if _, err := url.Parse(s.Source); err != nil {
		return fmt.Errorf("event source %q is not a URI reference: %w", s.Source, err)
	}
	return nil
}

// encode returns the notice as one CloudEvent in structured JSON.
func (s EventSettings) encode(n Notice) ([]byte, error) {
	if n.ID == "" {
		return nil, &Refused{errors.New("a notice without an ID cannot be told from another")}
	}
	source, kind := s.Source, s.Type
	if source == "" {
		source = defaultSource
	}
	if kind == "" {
		kind = defaultEventType
	}
	subject := n.Cell
	if n.Condition != "" {
		subject += "/" + n.Condition
	}
	body, err := json.Marshal(event{
		SpecVersion: "1.0",
		ID:          n.ID,
		Source:      source + "/" + url.PathEscape(n.Cell),
		Type:        kind + "." + string(n.Kind),
		Subject:     subject,
		Time:        n.At.UTC(),
		// The data is a JSON value within the event, so it needs no encoding of its own.
		DataContentType: "application/json",
		Data:            eventData{n, n.Delayed.Seconds()},
	})
	if err != nil {
		return nil, &Refused{fmt.Errorf("encode notice %s: %w", n.ID, err)}
	}
	return body, nil
}
