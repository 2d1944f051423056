package daemon

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"os"

	"golang.org/x/sync/errgroup"

	"nightcell/configs"
	"nightcell/daemon/push"
	"nightcell/daemon/snapshot"
)

// newPush builds one push of the configuration. Secrets are read now, and nothing is sent.
func (d *Daemon) newPush(c *configs.Push) (*push.Push, error) {
	address, err1 := c.Address.Read()
	token, err2 := c.Token.Read()
	password, err3 := c.Password.Read()
	client, err4 := httpClient(c)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return nil, fmt.Errorf("[push.%s]: %w", c.Name, err)
	}
	s := push.Settings{
		Name: c.Name, Header: http.Header{}, Tags: c.Tags, Client: client, Gzip: c.Gzip, Lines: c.Batch, Every: c.Every,
		Data: d.o.Config.Data, Cells: c.Cells, Save: writeSmall, Log: d.o.Log,
	}
	if len(s.Cells) == 0 {
		for _, cell := range d.cells {
			s.Cells = append(s.Cells, cell.Name())
		}
	}
	if c.Form == "v2" {
		s.URL = push.V2(address.Reveal(), c.Org, c.Bucket)
		if !token.IsZero() {
			s.Header.Set("Authorization", "Token "+token.Reveal())
		}
	} else {
		s.URL = push.V1(address.Reveal(), c.Database, c.Retention)
		if c.User != "" {
			s.Header.Set("Authorization", "Basic "+base64.StdEncoding.EncodeToString([]byte(c.User+":"+password.Reveal())))
		}
	}
	return push.New(s)
}

// httpClient is a client with the push's time-out, which trusts its own authority if it has one.
func httpClient(c *configs.Push) (*http.Client, error) {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	if c.CAFile != "" {
		pem, err := os.ReadFile(c.CAFile)
		if err != nil {
			return nil, fmt.Errorf("reading the certificate authority: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form", c.CAFile)
		}
		transport.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}
	return &http.Client{Transport: transport, Timeout: c.Timeout}, nil
}

// servePushes sends the logs until ctx ends.
func (d *Daemon) servePushes(ctx context.Context, group *errgroup.Group) {
	for _, p := range d.pushes {
		group.Go(func() error { return p.Run(ctx) })
	}
}

// fillPushes adds how the pushes of a cell are getting on.
func (d *Daemon) fillPushes(s *snapshot.Cell) {
	for _, p := range d.pushes {
		h, ok := p.Health(s.Name)
		if !ok {
			continue
		}
		s.Outlet.Pushes = append(s.Outlet.Pushes, snapshot.Way{
			Name: p.Name(), LagSeconds: h.Lag.Seconds(), Delivered: h.Lines, Failed: h.Failures, Problem: h.LastError,
		})
	}
}
