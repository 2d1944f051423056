package configs

import (
	"errors"
	"fmt"
	"os"
	"time"

	"nightcell/alerts/routes"
)

// Way reads the secrets and templates of the route and builds it. Nothing is sent.
func (r *Route) Way() (routes.Way, error) {
	way := routes.Way{Least: r.Least, Cells: r.Cells, After: r.After, Repeat: r.Repeat, TellAnswered: r.TellAnswered, Quiet: r.Quiet, Timeout: r.Timeout}
	route, err := r.build()
	if err != nil {
		return routes.Way{}, fmt.Errorf("[route.%s]: %w", r.Name, err)
	}
	way.Route = route
	return way, nil
}

func (r *Route) build() (routes.Route, error) {
	zone := r.Zone
	if zone == nil {
		zone = time.Local
	}
	templates, err := routes.LoadTemplates(r.Templates, zone)
	if err != nil {
		return nil, err
	}
	address, err1 := r.Address.Read()
	password, err2 := r.Password.Read()
	key, err3 := r.Key.Read()
	authorization, err4 := r.Authorization.Read()
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return nil, err
	}
	headers := map[string]routes.Secret{}
	if !authorization.IsZero() {
		headers["Authorization"] = authorization
	}
	switch r.Kind {
	case Webhook:
		return routes.NewWebhook(routes.WebhookSettings{Name: r.Name, URL: address, Event: r.Event, Key: key, CAFile: r.CAFile, Headers: headers})
	case Command:
		return routes.NewCommand(routes.CommandSettings{Name: r.Name, Argv: r.Command, Timeout: r.Timeout, Environment: r.Environment, Templates: templates})
	case Email:
		return routes.NewEmail(routes.EmailSettings{Name: r.Name, Host: r.Server, Port: r.Port, Encryption: r.Encryption, CAFile: r.CAFile,
			User: r.User, Password: password, From: r.From, To: r.To, Templates: templates})
	case MQTT:
		return routes.NewMQTT(routes.MQTTSettings{Name: r.Name, Broker: address, Topic: r.Topic, ClientID: r.ClientID,
			User: r.User, Password: password, CAFile: r.CAFile, Event: r.Event})
	case Alertmanager:
		return routes.NewAlertmanager(routes.AlertmanagerSettings{Name: r.Name, URL: address, CAFile: r.CAFile, Labels: r.Labels, Headers: headers, LinkURL: r.Link})
	}
	return nil, fmt.Errorf("kind %q is unknown", r.Kind) // Parse lets no other through
}

// Ways builds every route. The error joins what is wrong with each.
func (c *Config) Ways() ([]routes.Way, error) {
	var ways []routes.Way
	var errs []error
	for i := range c.Routes {
		way, err := c.Routes[i].Way()
		if err != nil {
			errs = append(errs, err)
			continue
		}
		ways = append(ways, way)
	}
	return ways, errors.Join(errs...)
}

// Outside tries what the configuration names outside itself and can be tried
// without speaking to anybody: secrets, templates, commands, files. Each error says where it is written.
func (c *Config) Outside() []error {
	var errs []error
	note := func(err error, format string, args ...any) {
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), err))
		}
	}
	for i := range c.Routes {
		if _, err := c.Routes[i].Way(); err != nil {
			errs = append(errs, err)
		}
	}
	for _, p := range c.Pushes {
		for _, s := range [...]Secret{p.Address.Secret, p.Password, p.Token} {
			_, err := s.Read()
			note(err, "[push.%s]", p.Name)
		}
		note(readable(p.CAFile), "[push.%s]", p.Name)
	}
	if h := c.Heartbeat; h != nil {
		_, err := h.Address.Read()
		note(err, "[heartbeat]")
		note(readable(h.CAFile), "[heartbeat]")
	}
	_, err := c.Page.Token.Read()
	note(err, "[page]")
	note(readable(c.Page.WebConfig), "[page]")
	return errs
}

// readable opens a file and closes it again; no file at all is fine.
func readable(path string) error {
	if path == "" {
		return nil
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return f.Close()
}
