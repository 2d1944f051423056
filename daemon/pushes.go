package daemon

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/push"
)

// pushes are those of the configuration, and each one's end.
type pushes struct {
	running atomic.Pointer[[]*push.Push]
	ends    map[string]func() (gone <-chan struct{}) // by name: stops a push; of whoever holds reloading
}

func (p *pushes) all() []*push.Push {
	if all := p.running.Load(); all != nil {
		return *all
	}
	return nil
}

// newPushes builds all pushes of a configuration; nothing is sent.
func (d *Daemon) newPushes(cfg *configs.Config) ([]*push.Push, error) {
	all := make([]*push.Push, len(cfg.Pushes))
	for i := range cfg.Pushes {
		var err error
		if all[i], err = d.newPush(cfg, &cfg.Pushes[i]); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// exchangePushes puts other pushes in place of those that run: each begins once the one before of its name has ended, whose cursors it takes.
func (d *Daemon) exchangePushes(ctx context.Context, group *errgroup.Group, all []*push.Push) {
	before := make(map[string]<-chan struct{})
	for name, end := range d.pushes.ends {
		before[name] = end()
	}
	d.pushes.ends = make(map[string]func() <-chan struct{})
	for _, p := range all {
		own, stop := context.WithCancel(ctx)
		gone := make(chan struct{})
		d.pushes.ends[p.Name()] = func() <-chan struct{} {
			stop()
			return gone
		}
		group.Go(func() error {
			defer close(gone)
			defer stop()
			if last := before[p.Name()]; last != nil {
				<-last // ends: it was stopped, and sends for a few seconds at most
			}
			return p.Run(own)
		})
	}
	d.pushes.running.Store(&all)
}

// newPush builds one push of the configuration. Secrets are read once now, so that a
// missing file is told at the start; nothing is sent.
func (d *Daemon) newPush(cfg *configs.Config, c *configs.Push) (*push.Push, error) {
	address, err1 := c.URL.Read()
	_, err2 := authorization(c)
	client, err3 := httpClient(c)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("[push.%s]: %w", c.Name, err)
	}
	s := push.Settings{
		Push: *c, URL: push.Endpoint(c, address.Reveal()), Client: client, Authorization: func() (string, error) { return authorization(c) },
		Data: d.o.Config.Data, Save: writeSmall, Log: d.o.Log,
	}
	if len(s.Cells) == 0 {
		s.Cells = cfg.CellNames()
	}
	return push.New(s)
}

// authorization is the header of that name, from the files as they are now.
func authorization(c *configs.Push) (string, error) {
	if c.Form == "v2" {
		token, err := c.Token.Read()
		if err != nil || token.IsZero() {
			return "", err
		}
		return "Token " + token.Reveal(), nil
	}
	password, err := c.Password.Read()
	if err != nil || c.User == "" {
		return "", err
	}
	return "Basic " + base64.StdEncoding.EncodeToString([]byte(c.User+":"+password.Reveal())), nil
}

// httpClient is a client with the push's time-out, which trusts its own authority too if it has one.
func httpClient(c *configs.Push) (*http.Client, error) {
	config, err := routes.TLSConfig(c.CAFile)
	if err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = config
	return &http.Client{Transport: transport, Timeout: c.Timeout}, nil
}
