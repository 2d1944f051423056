package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/drivers"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
)

// recordFlag is the flag of every command that can keep what goes over its lines.
func recordFlag(flags *pflag.FlagSet, file *string) {
	flags.StringVar(file, "record", "", "keep every byte to and from the supplies, with its time, in a new `file`")
}

// beginRecord begins a recording; without a file there is none, which is nil. Should it end early, the standard error says so.
func beginRecord(s *shell, file string) (*recording.Recorder, error) {
	if file == "" {
		return nil, nil
	}
	r, err := recording.Create(file, func(err error) { fmt.Fprintf(s.err, "nightcell: --record %s: %v\n", file, err) })
	if err != nil {
		return nil, usagef("--record %w", err)
	}
	return r, nil
}

// hold plays a recording in place of the supply and holds a configuration against it.
func (a *attach) hold(ctx context.Context) error {
	if a.port != "" || a.config == "" {
		return usagef("--rehearse %s: give --config FILE and no port; the recording replaces the supply", a.rehearse)
	}
	c, err := configs.Load(a.config)
	if err != nil {
		return usageError{err}
	}
	r, err := recording.Load(a.rehearse)
	if err != nil {
		return usageError{err}
	}
	player, err := r.Player()
	if err != nil {
		return usageError{fmt.Errorf("%s: %w", a.rehearse, err)}
	}
	far, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("playing the recording: %w", err)
	}
	done := make(chan struct{})
	go func() { // ends when the driver closes the line, or with far
		defer close(done)
		if conn, err := far.Accept(); err == nil {
			_ = player.Serve(conn)
			_ = conn.Close()
		}
	}()
	s := &c.Supplies[0]
	channel := 1
	for i := range c.Cells {
		if c.Cells[i].Supply == s.Name {
			channel = c.Cells[i].Channel
		}
	}
	s.Port = "tcp://" + far.Addr().String()
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	answer := askChannel(ctx, s, channel, nil, new(scpi.Rack), drivers.NewClock(1))
	answer.Port = a.rehearse
	answer.print(a.out)
	closing := far.Close()
	<-done
	if len(player.Unknown) > 0 {
		fmt.Fprintf(a.out, "  %-12s never asked in the recording: %s\n", "note", drivers.Plain(strings.Join(player.Unknown, ", ")))
	}
	if answer.Problem != "" || math.IsNaN(float64(answer.Volts)) {
		return errors.Join(errSilent, closing)
	}
	fmt.Fprintf(a.out, "\n%s speaks as the recording does.\n", a.config)
	return closing
}
