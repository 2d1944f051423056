package routes

import (
	"cmp"
	"context"
	"crypto/tls"
	"fmt"
	"math/rand/v2"
	"net"
	"net/url"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// MQTT publishes each notice as a CloudEvent in structured JSON with quality of
// service 1 (MQTT 3.1.1, OASIS 2014, section 4.3.2). It connects for each notice,
// because notices are rare and a fresh connection is the best test of a broker.
type MQTT struct {
	settings Settings
	address  string // host:port
	tls      *tls.Config
}

// NewMQTT checks the settings and returns the route. Nothing is sent.
func NewMQTT(s Settings) (*MQTT, error) {
	u, err := url.Parse(s.URL.Reveal())
	if err != nil || u.Hostname() == "" || u.User != nil || u.Scheme != "mqtt" && u.Scheme != "mqtts" {
		return nil, fmt.Errorf("route %s: the broker must be written as mqtt://host:port or mqtts://host:port, user and password apart", s.Name)
	}
	s.Topic = cmp.Or(s.Topic, "nightcell")
	m := &MQTT{settings: s}
	port := "1883"
	if u.Scheme == "mqtts" {
		port = "8883"
		if m.tls, err = TLSConfig(s.CAFile); err != nil {
			return nil, fmt.Errorf("route %s: %w", s.Name, err)
		}
		m.tls.ServerName = u.Hostname()
	}
	m.address = net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), port))
	return m, nil
}

// Name implements Route.
func (m *MQTT) Name() string { return m.settings.Name }

// unlevelled takes out of names what separates the levels of a topic or stands for many of them.
var unlevelled = strings.NewReplacer("/", "-", "+", "-", "#", "-", "\x00", "-")

// Deliver implements Route. The broker's PUBACK is proof of delivery to the broker, not to a subscriber.
func (m *MQTT) Deliver(ctx context.Context, n Notice) (Proof, error) {
	body, err := encode(n)
	if err != nil {
		return "", err
	}
	topic := m.settings.Topic + "/" + unlevelled.Replace(n.Cell) + "/" + unlevelled.Replace(string(n.Kind))
	if err := m.publish(ctx, topic, body); err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx) // the closed connection is only how it showed
		}
		return "", fmt.Errorf("MQTT broker %s: %w", m.address, hide(err, m.settings.Password))
	}
	return "PUBACK", nil
}

func (m *MQTT) publish(ctx context.Context, topic string, body []byte) error {
	// The context that the connection lives in: its end closes the connection, which ends every goroutine of the library.
	ctx, end := context.WithCancel(ctx)
	defer end()
	client := mqtt.NewClient(m.options(ctx))
	if err := settled(ctx, client.Connect()); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer client.Disconnect(1000) // milliseconds at most
	if err := settled(ctx, client.Publish(topic, 1, false, body)); err != nil {
		return fmt.Errorf("publish: %w", err)
	}
	return nil
}

func (m *MQTT) options(ctx context.Context) *mqtt.ClientOptions {
	id := m.settings.ClientID
	if id == "" { // MQTT 3.1.1, 3.1.3.1: every broker takes 23 letters and digits
		id = fmt.Sprintf("nightcell%08x", rand.Uint32())
	}
	o := mqtt.NewClientOptions().
		AddBroker("tcp://" + m.address).
		SetClientID(id).
		SetProtocolVersion(4). // 3.1.1, without falling back
		SetCleanSession(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(30 * time.Second).
		SetWriteTimeout(30 * time.Second).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			return dial(ctx, ctx, m.tls, m.address)
		})
	if m.settings.User != "" {
		o.SetUsername(m.settings.User).SetPassword(m.settings.Password.Reveal())
	}
	return o
}

// settled waits for a token, or for the end of ctx.
func settled(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
