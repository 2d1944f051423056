package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/drivers"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
)

// askAll asks each supply in turn for its channels, and all supplies at the same time, each for no longer than patience. It returns
// what they answered, in the order of the configuration, and whether all answered as they should.
func askAll(ctx context.Context, config *configs.Config, rack *scpi.Rack, patience time.Duration) (answers string, sound bool) {
	type answer struct {
		strings.Builder
		err error
	}
	each := make([]answer, len(config.Supplies)+len(config.Meters))
	clock := drivers.NewClock(1)
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var all sync.WaitGroup
	for i := range config.Supplies {
		all.Go(func() { each[i].err = askSupply(ctx, &each[i], config, &config.Supplies[i], rack, clock) })
	}
	for i := range config.Meters {
		a := &each[len(config.Supplies)+i]
		all.Go(func() { a.err = askMeter(ctx, a, &config.Meters[i], rack, clock) })
	}
	all.Wait() // ends: every driver call keeps to its context
	sound = true
	for i := range each {
		answers += each[i].String()
		sound = sound && each[i].err == nil
	}
	return answers, sound
}

// problem says what went wrong, if anything did, in a line of what was asked.
func problem(w io.Writer, err error) error {
	if err != nil {
		checkLine(w, "PROBLEM", "%s", withoutEcho(err))
	}
	return err
}

// askMeter opens a meter, takes one reading, and closes it again.
func askMeter(ctx context.Context, w io.Writer, m *configs.Meter, rack *scpi.Rack, clock drivers.Clock) error {
	fmt.Fprintf(w, "\nmeter %s, on %s\n", m.Name, m.Line.Address)
	meter, err := rack.OpenMultimeter(ctx, m.Settings(), m.Queries, clock)
	if err != nil {
		return problem(w, err)
	}
	begun := time.Now()
	identity, err := meter.Identify(ctx)
	if err == nil {
		checkLine(w, "identity", "%s", identity)
		var got scpi.Measured
		if got, err = meter.Poll(ctx); err == nil {
			bath := ""
			if kelvin := got.Kelvin(); kelvin > 0 {
				bath = fmt.Sprintf("%.1f °C, ", kelvin-273.15)
			}
			checkLine(w, "reading", "%s, %swithin %.3g ms", reported(drivers.Volts(got.Volts), drivers.Amperes(m.Amperes(got.Current))), bath, time.Since(begun).Seconds()*1e3)
			err = expected(identity, m.Identity)
		}
	}
	return problem(w, errors.Join(err, meter.Close()))
}

// expected refuses an instrument that is not the one of the configuration.
func expected(identity drivers.Identity, want string) error {
	if strings.HasPrefix(identity.String(), want) {
		return nil
	}
	return fmt.Errorf("a different instrument answers: %q; the configuration expects identity = %q; connect the right one or correct the configuration", identity, want)
}

// reported is a voltage and a current, either of which an instrument may not tell.
func reported(v drivers.Volts, a drivers.Amperes) string {
	one := func(value float64, unit string) string {
		if math.IsNaN(value) {
			return "not reported"
		}
		return fmt.Sprintf("%.5g %s", value, unit)
	}
	return one(float64(v), "V") + ", " + one(float64(a), "A")
}

// askSupply asks the channels that have a cell, or the first one of a supply without.
func askSupply(ctx context.Context, w io.Writer, config *configs.Config, s *configs.Supply, rack *scpi.Rack, clock drivers.Clock) error {
	var failed []error
	asked := false
	for i := range config.Cells {
		if c := &config.Cells[i]; c.Supply == s.Name {
			for _, n := range c.Channels() {
				failed, asked = append(failed, askChannel(ctx, w, s, s.Line.Address, n, c, rack, clock)), true
			}
		}
	}
	if !asked {
		return askChannel(ctx, w, s, s.Line.Address, 1, nil, rack, clock)
	}
	return errors.Join(failed...)
}

// askChannel opens one channel, asks everything, and closes it again. c is nil when no cell is on it.
func askChannel(ctx context.Context, w io.Writer, s *configs.Supply, port string, channel int, c *configs.Cell, rack *scpi.Rack, clock drivers.Clock) error {
	fmt.Fprintf(w, "\nsupply %s, channel %d, on %s\n", s.Name, channel, port)
	// The driver refuses more current than it takes for possible, and a check is where
	// too much shall be seen, so it is told the range alone.
	supply, err := rack.Open(ctx, s.Settings(channel, math.NaN()), clock)
	if err != nil {
		return problem(w, err)
	}
	notes, err := ask(ctx, w, supply, s.Identity, c)
	if closing := supply.Close(); err == nil && closing != nil {
		err = fmt.Errorf("releasing the port: %w", closing)
	}
	for _, n := range notes {
		checkLine(w, "note", "%s", n)
	}
	return problem(w, err)
}

// ask asks all that can be asked, and notes what a person should know.
func ask(ctx context.Context, w io.Writer, supply drivers.Supply, want string, c *configs.Cell) (notes []string, err error) {
	identity, err := supply.Identify(ctx)
	if err != nil {
		return nil, fmt.Errorf("querying the identity: %w", err)
	}
	checkLine(w, "identity", "%s", identity)
	status, err := supply.Status(ctx)
	if err != nil {
		return nil, fmt.Errorf("querying output, set-points and protection: %w", err)
	}
	checkLine(w, "output", "%s, %s", status.Output, status.Mode)
	checkLine(w, "set to", "%s", reported(status.SetVolts, status.SetAmperes))
	checkLine(w, "protection", "%s", reported(status.LimitVolts, status.LimitAmperes))
	reading, err := supply.Poll(ctx)
	if err == nil {
		checkLine(w, "reading", "%s, within %.3g ms", reported(reading.Volts, reading.Amperes), reading.Took.Seconds()*1e3)
	}
	for _, e := range status.Errors {
		checkLine(w, "error queue", "%s", e)
	}
	if err != nil {
		return nil, fmt.Errorf("taking a reading: %w", err)
	}
	if err := expected(identity, want); err != nil {
		return nil, err
	}
	if want == "" {
		notes = append(notes, fmt.Sprintf("no identity is configured; add identity = %q to refuse any other instrument", identity.Maker+","+identity.Model+","+identity.Serial))
	}
	return append(notes, differences(&status, &reading, c)...), nil
}

// differences notes where the supply stands otherwise than the cell's limits suppose; c is nil when there is no cell.
func differences(s *drivers.Status, r *drivers.Reading, c *configs.Cell) (notes []string) {
	note := func(format string, args ...any) { notes = append(notes, fmt.Sprintf(format, args...)) }
	if len(s.Tripped) > 0 {
		note("protection has acted: %s", strings.Join(s.Tripped, ", "))
	}
	// A cell at rest shows what a battery would; trade practice calls 0.3 V the sign that it is connected.
	if s.Output == drivers.OutputOff && r.Volts > 0.3 {
		note("the output is off but reads %.3g V: the connected cell acts as a battery", r.Volts)
	}
	if c == nil {
		return notes
	}
	volts, amperes := c.Limits.Volts*float64(c.Series), c.Limits.Amperes/float64(len(c.Channels()))
	if float64(s.SetAmperes) > amperes {
		note("the current set-point %.4g A is above the cell's limit of %.4g A", s.SetAmperes, amperes)
	}
	if float64(r.Amperes) > amperes {
		note("the current is %.4g A, above the cell's limit of %.4g A", r.Amperes, amperes)
	}
	switch {
	case math.IsNaN(float64(s.LimitVolts)):
		note("the supply does not report its over-voltage level; check it on the front panel")
	case float64(s.LimitVolts) > volts:
		note("the over-voltage level %.4g V is above the cell's limit of %.4g V: the alarm would come before the trip", s.LimitVolts, volts)
	}
	if float64(s.LimitAmperes) > 1.5*amperes {
		note("the over-current level %.4g A is far above the cell's limit of %.4g A", s.LimitAmperes, amperes)
	}
	return notes
}

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
	s.Line.Address = "tcp://" + far.Addr().String()
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	err = askChannel(ctx, a.out, s, a.rehearse, channel, nil, new(scpi.Rack), drivers.NewClock(1))
	closing := far.Close()
	<-done
	if len(player.Unknown) > 0 {
		fmt.Fprintf(a.out, "  %-12s never asked in the recording: %s\n", "note", drivers.Plain(strings.Join(player.Unknown, ", ")))
	}
	if err != nil {
		return errors.Join(errSilent, closing)
	}
	fmt.Fprintf(a.out, "\n%s speaks as the recording does.\n", a.config)
	return closing
}
