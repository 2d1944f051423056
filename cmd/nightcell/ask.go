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
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/drivers/recording"
	"nightcell/drivers/scpi"
)

// askedJSON is what one channel of a supply has answered. What it does not tell is null.
type askedJSON struct {
	Supply       string         `json:"supply,omitempty"`
	Meter        string         `json:"meter,omitempty"` // in place of a supply and a channel
	Channel      int            `json:"channel,omitzero"`
	Cell         string         `json:"cell,omitempty"`
	Port         string         `json:"port"`
	Identity     string         `json:"identity,omitempty"`
	Output       string         `json:"output,omitempty"`
	Mode         string         `json:"mode,omitempty"`
	SetVolts     quantity.Maybe `json:"set_volts"`
	SetAmperes   quantity.Maybe `json:"set_amperes"`
	LimitVolts   quantity.Maybe `json:"protection_volts"`
	LimitAmperes quantity.Maybe `json:"protection_amperes"`
	Tripped      []string       `json:"tripped"`
	Errors       []string       `json:"errors"`
	Volts        quantity.Maybe `json:"reading_volts"`
	Amperes      quantity.Maybe `json:"reading_amperes"`
	Kelvin       quantity.Maybe `json:"reading_kelvins,omitzero"` // of a meter
	Took         quantity.Maybe `json:"reading_took_seconds"`
	Notes        []string       `json:"notes"`
	// Problem is why the channel did not answer as it should; empty when it did.
	Problem string `json:"problem,omitempty"`
}

// askAll asks each supply in turn for its channels, and all supplies at the same
// time, each for no longer than patience.
func askAll(ctx context.Context, config *configs.Config, rack *scpi.Rack, patience time.Duration) []askedJSON {
	bySupply := make([][]askedJSON, len(config.Supplies)+len(config.Meters))
	clock := drivers.NewClock(1)
	var all sync.WaitGroup
	for i := range config.Supplies {
		all.Go(func() { bySupply[i] = askSupply(ctx, config, &config.Supplies[i], rack, patience, clock) })
	}
	for i := range config.Meters {
		all.Go(func() {
			bySupply[len(config.Supplies)+i] = []askedJSON{askMeter(ctx, &config.Meters[i], rack, patience, clock)}
		})
	}
	all.Wait() // ends: every driver call keeps to its context
	var flat []askedJSON
	for _, answers := range bySupply {
		flat = append(flat, answers...)
	}
	return flat
}

// unasked is what nobody has answered yet.
func unasked(port string) askedJSON {
	nan := quantity.Maybe(math.NaN())
	return askedJSON{Port: port, Tripped: []string{}, Errors: []string{}, Notes: []string{}, SetVolts: nan, SetAmperes: nan, LimitVolts: nan, LimitAmperes: nan, Volts: nan, Amperes: nan, Took: nan}
}

// askMeter opens a meter, takes one reading, and closes it again.
func askMeter(ctx context.Context, m *configs.Meter, rack *scpi.Rack, patience time.Duration, clock drivers.Clock) askedJSON {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	a := unasked(m.Line.Address)
	a.Meter = m.Name
	meter, err := rack.OpenMultimeter(ctx, m.Settings(), m.Queries, clock)
	if err == nil {
		var id drivers.Identity
		var got scpi.Measured
		begun := time.Now()
		if id, err = meter.Identify(ctx); err == nil {
			a.Identity = id.String()
			got, err = meter.Poll(ctx)
		}
		if err == nil {
			a.Amperes, a.Volts, a.Kelvin, a.Took = quantity.Maybe(m.Amperes(got.Current)), quantity.Maybe(got.Volts), quantity.Maybe(got.Kelvin()), quantity.Maybe(time.Since(begun).Seconds())
		}
		if err == nil && !strings.HasPrefix(a.Identity, m.Identity) {
			err = fmt.Errorf("a different instrument answers: %q; the configuration expects identity = %q; connect the right one or correct the configuration", a.Identity, m.Identity)
		}
		err = errors.Join(err, meter.Close())
	}
	if err != nil {
		a.Problem = withoutEcho(err)
	}
	return a
}

// askSupply asks the channels that have a cell, or the first one of a supply without.
func askSupply(ctx context.Context, config *configs.Config, s *configs.Supply, rack *scpi.Rack, patience time.Duration, clock drivers.Clock) []askedJSON {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var answers []askedJSON
	for i := range config.Cells {
		if c := &config.Cells[i]; c.Supply == s.Name {
			for _, n := range c.Channels() {
				answers = append(answers, askChannel(ctx, s, n, c, rack, clock))
			}
		}
	}
	if len(answers) == 0 {
		answers = append(answers, askChannel(ctx, s, 1, nil, rack, clock))
	}
	return answers
}

// askChannel opens one channel, asks everything, and closes it again. c is nil when no cell is on it.
func askChannel(ctx context.Context, s *configs.Supply, channel int, c *configs.Cell, rack *scpi.Rack, clock drivers.Clock) askedJSON {
	a := unasked(s.Line.Address)
	a.Supply, a.Channel = s.Name, channel
	limit := math.NaN()
	if c != nil {
		a.Cell, limit = c.Name, c.Limits.Amperes/float64(len(c.Channels()))
	}
	// The driver refuses more current than it takes for possible, and a check is where
	// too much shall be seen, so it is told the range alone.
	supply, err := rack.Open(ctx, s.Settings(channel, math.NaN()), clock)
	if err != nil {
		a.Problem = withoutEcho(err)
		return a
	}
	err = a.ask(ctx, supply, s.Identity)
	if closing := supply.Close(); err == nil && closing != nil {
		err = fmt.Errorf("releasing the port: %w", closing)
	}
	if err != nil {
		a.Problem = withoutEcho(err)
		return a
	}
	a.compare(c, limit)
	return a
}

// ask asks all that can be asked.
func (a *askedJSON) ask(ctx context.Context, supply drivers.Supply, expected string) error {
	identity, err := supply.Identify(ctx)
	if err != nil {
		return fmt.Errorf("querying the identity: %w", err)
	}
	a.Identity = identity.String()
	status, err := supply.Status(ctx)
	if err != nil {
		return fmt.Errorf("querying output, set-points and protection: %w", err)
	}
	a.Output, a.Mode = status.Output.String(), status.Mode.String()
	a.SetVolts, a.SetAmperes = quantity.Maybe(status.SetVolts), quantity.Maybe(status.SetAmperes)
	a.LimitVolts, a.LimitAmperes = quantity.Maybe(status.LimitVolts), quantity.Maybe(status.LimitAmperes)
	a.Tripped, a.Errors = append(a.Tripped, status.Tripped...), append(a.Errors, status.Errors...)
	reading, err := supply.Poll(ctx)
	if err != nil {
		return fmt.Errorf("taking a reading: %w", err)
	}
	a.Volts, a.Amperes, a.Took = quantity.Maybe(reading.Volts), quantity.Maybe(reading.Amperes), quantity.Maybe(reading.Took.Seconds())
	if !strings.HasPrefix(a.Identity, expected) {
		return fmt.Errorf("a different instrument answers: %q; the configuration expects identity = %q; connect the right one or correct the configuration", a.Identity, expected)
	}
	if expected == "" {
		a.Notes = append(a.Notes, fmt.Sprintf("no identity is configured; add identity = %q to refuse any other instrument", identity.Maker+","+identity.Model+","+identity.Serial))
	}
	return nil
}

// compare notes where the supply stands otherwise than the cell's limits suppose.
func (a *askedJSON) compare(c *configs.Cell, limit float64) {
	note := func(format string, args ...any) { a.Notes = append(a.Notes, fmt.Sprintf(format, args...)) }
	if len(a.Tripped) > 0 {
		note("protection has acted: %s", strings.Join(a.Tripped, ", "))
	}
	// A cell at rest shows what a battery would; trade practice calls 0.3 V the sign that it is connected.
	if a.Output == drivers.OutputOff.String() && a.Volts > 0.3 {
		note("the output is off but reads %.3g V: the connected cell acts as a battery", a.Volts)
	}
	if c == nil {
		return
	}
	volts := c.Limits.Volts * float64(c.Series)
	if float64(a.SetAmperes) > limit {
		note("the current set-point %.4g A is above the cell's limit of %.4g A", a.SetAmperes, limit)
	}
	if float64(a.Amperes) > limit {
		note("the current is %.4g A, above the cell's limit of %.4g A", a.Amperes, limit)
	}
	switch {
	case math.IsNaN(float64(a.LimitVolts)):
		note("the supply does not report its over-voltage level; check it on the front panel")
	case float64(a.LimitVolts) > volts:
		note("the over-voltage level %.4g V is above the cell's limit of %.4g V: the alarm would come before the trip", a.LimitVolts, volts)
	}
	if float64(a.LimitAmperes) > 1.5*limit {
		note("the over-current level %.4g A is far above the cell's limit of %.4g A", a.LimitAmperes, limit)
	}
}

func (a *askedJSON) print(w io.Writer) {
	line := func(name, format string, args ...any) { checkLine(w, name, format, args...) }
	number := func(v quantity.Maybe, unit string) string {
		if math.IsNaN(float64(v)) {
			return "not reported"
		}
		return fmt.Sprintf("%.5g %s", v, unit)
	}
	if a.Meter != "" {
		fmt.Fprintf(w, "\nmeter %s, on %s\n", a.Meter, a.Port)
	} else {
		fmt.Fprintf(w, "\nsupply %s, channel %d, on %s\n", a.Supply, a.Channel, a.Port)
	}
	if a.Identity != "" {
		line("identity", "%s", a.Identity)
	}
	if a.Output != "" {
		line("output", "%s, %s", a.Output, a.Mode)
		line("set to", "%s, %s", number(a.SetVolts, "V"), number(a.SetAmperes, "A"))
		line("protection", "%s, %s", number(a.LimitVolts, "V"), number(a.LimitAmperes, "A"))
	}
	if !math.IsNaN(float64(a.Took)) {
		bath := ""
		if a.Kelvin > 0 {
			bath = fmt.Sprintf("%.1f °C, ", a.Kelvin-273.15)
		}
		line("reading", "%s, %s, %swithin %.3g ms", number(a.Volts, "V"), number(a.Amperes, "A"), bath, a.Took*1e3)
	}
	for _, e := range a.Errors {
		line("error queue", "%s", e)
	}
	for _, n := range a.Notes {
		line("note", "%s", n)
	}
	if a.Problem != "" {
		line("PROBLEM", "%s", a.Problem)
	}
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
