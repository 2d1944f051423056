package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"strings"

	"nightcell/alerts/routes"
)

// Way reads the secrets and templates of the route and builds it. Nothing is sent.
func (r *Route) Way() (routes.Way, error) {
	way := routes.Way{Pictures: r.Kind == email, Least: r.Least, Cells: r.Cells, After: r.After, Repeat: r.Repeat, TellAnswered: r.TellAnswered, Quiet: r.Quiet, Summary: r.Summary, Zone: r.Zone, Timeout: r.Timeout}
	route, err := r.build()
	if err != nil {
		return routes.Way{}, fmt.Errorf("[route.%s]: %w", r.Name, err)
	}
	way.Route = route
	return way, nil
}

func (r *Route) build() (routes.Route, error) {
	templates, err0 := routes.LoadTemplates(r.Templates, r.Zone)
	address, err1 := r.Address.Read()
	password, err2 := r.Password.Read()
	key, err3 := r.Key.Read()
	authorization, err4 := r.Authorization.Read()
	if err := errors.Join(err0, err1, err2, err3, err4); err != nil {
		return nil, err
	}
	headers := map[string]routes.Secret{}
	if !authorization.IsZero() {
		headers["Authorization"] = authorization
	}
	switch r.Kind {
	case webhook:
		return routes.NewWebhook(routes.WebhookSettings{Name: r.Name, URL: address, Event: r.Event, Key: key, CAFile: r.CAFile, Headers: headers})
	case command:
		return routes.NewCommand(routes.CommandSettings{Name: r.Name, Argv: r.Command, Timeout: r.Timeout, Environment: r.Environment, Templates: templates})
	case email:
		return routes.NewEmail(routes.EmailSettings{Name: r.Name, Host: r.Server, Port: r.Port, Encryption: r.Encryption, CAFile: r.CAFile,
			User: r.User, Password: password, From: r.From, To: r.To, Templates: templates})
	case mqtt:
		return routes.NewMQTT(routes.MQTTSettings{Name: r.Name, Broker: address, Topic: r.Topic, ClientID: r.ClientID,
			User: r.User, Password: password, CAFile: r.CAFile, Event: r.Event})
	case alertmanager:
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

// Elsewhere is a mistake in what the configuration names outside itself, and its cause.
type Elsewhere struct {
	Mistake
	cause error
}

// Unwrap returns what the system said.
func (e *Elsewhere) Unwrap() error { return e.cause }

// Outside tries what the configuration names outside itself and can be tried
// without speaking to anybody: secrets, templates, commands, files.
func (c *Config) Outside() []*Elsewhere {
	var found []*Elsewhere
	note := func(table string, err error) {
		for _, cause := range parts(err) {
			wrong := strings.TrimPrefix(cause.Error(), strings.Replace(table, ".", " ", 1)+": ") // the key says it already
			found = append(found, &Elsewhere{Mistake{File: c.file, Line: c.lines[table], Key: table, Wrong: wrong, Remedy: remedyOf(cause)}, cause})
		}
	}
	for i := range c.Routes {
		_, err := c.Routes[i].build()
		note("route."+c.Routes[i].Name, err)
	}
	for _, p := range c.Pushes {
		for _, s := range [...]Secret{p.Address.Secret, p.Password, p.Token} {
			_, err := s.Read()
			note("push."+p.Name, err)
		}
		note("push."+p.Name, readable(p.CAFile))
	}
	if h := c.Heartbeat; h != nil {
		_, err := h.Address.Read()
		note("heartbeat", err)
		note("heartbeat", readable(h.CAFile))
	}
	_, err := c.Page.Token.Read()
	note("page", err)
	note("page", readable(c.Page.WebConfig))
	return found
}

// parts takes joined errors apart; nil has none.
func parts(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []error
		for _, e := range joined.Unwrap() {
			all = append(all, parts(e)...)
		}
		return all
	}
	if err == nil {
		return nil
	}
	return []error{err}
}

// remedyOf is the way out of a cause, where there is a common one.
func remedyOf(err error) string {
	switch {
	case errors.Is(err, exec.ErrNotFound):
		return "install the program, or write its whole path"
	case errors.Is(err, fs.ErrNotExist):
		return "make that file, or name the one that is meant"
	case errors.Is(err, fs.ErrPermission):
		return "nightcell's own user must be allowed to use it"
	case strings.Contains(err.Error(), "environment variable"):
		return "set it where nightcell is started, such as by Environment= in its unit"
	}
	return ""
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
