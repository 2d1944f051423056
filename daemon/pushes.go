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

// newPush builds one push of the configuration. Secrets are read once now, so that a
// missing file is told at the start; nothing is sent.
func (d *Daemon) newPush(c *configs.Push) (*push.Push, error) {
	address, err1 := c.Address.Read()
	_, err2 := authorization(c)
	client, err3 := httpClient(c)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("[push.%s]: %w", c.Name, err)
	}
	s := push.Settings{
		Name: c.Name, Tags: c.Tags, Client: client, Gzip: c.Gzip, NumbersOnly: c.NumbersOnly, Lines: c.Batch, Every: c.Every,
		Authorization: func() (string, error) { return authorization(c) },
		Data:          d.o.Config.Data, Cells: c.Cells, Save: writeSmall, Log: d.o.Log,
	}
	if len(s.Cells) == 0 {
		for _, cell := range d.cells {
			s.Cells = append(s.Cells, cell.Name())
		}
	}
	if c.Form == "v2" {
		s.URL = push.V2(address.Reveal(), c.Org, c.Bucket)
	} else {
		s.URL = push.V1(address.Reveal(), c.Database, c.Retention)
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
			Name: p.Name(), LagSeconds: h.Lag.Seconds(), WaitingBytes: h.WaitingBytes,
			Delivered: h.Lines, Failed: h.Failures, SetAside: h.SetAside, Problem: h.LastError,
		})
	}
}
